"""Writes the pictures of README.md from the running product: `python -m tests.browser.shots`.

It loads the invented scenario into a folder of its own, serves it, walks a few pages, and stops again.
"""

from __future__ import annotations

import argparse
import os
import signal
import subprocess
import sys
import tempfile
import time
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from playwright.sync_api import Page, sync_playwright

from tests.browser.small_png import shrink

ROOT = Path(__file__).resolve().parents[2]
PICTURES = ROOT / "fixtures" / "pictures"
MOST_BYTES = 150_000
DESK = {"width": 1180, "height": 720}
PHONE = {"width": 375, "height": 740}
# name, who looks, where, on what, light or dark
SHOTS = (
    ("today", "lisbon", "/", DESK, "light"),
    ("horizon", "lisbon", "/horizon/", DESK, "light"),
    ("unit", "phoenix", "/units/G-10/", DESK, "light"),
    ("unit-phone", "manila", "/units/A-09/", PHONE, "dark"),
    ("charge-state", "manila", "/units/G-12/#h-charge", DESK, "light"),
    ("stores", "procurement", "/stores/", DESK, "light"),
    ("first-weeks", "manila", "/first-weeks/", DESK, "light"),
)


@contextmanager
def product(folder: Path, port: int) -> Iterator[str]:
    """The demo, loaded and served from a folder of its own."""
    env = {**os.environ, "MUSTERWELL_DATA_DIR": str(folder), "DEBUG": "1"}
    env.pop("DATABASE_URL", None)
    manage = [sys.executable, str(ROOT / "manage.py")]
    subprocess.run(
        [*manage, "demo_load"], env=env, check=True, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
    )
    server = subprocess.Popen(
        [*manage, "up", "--port", str(port)], env=env, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
    )
    url = f"http://127.0.0.1:{port}"
    try:
        wait_for(url)
        yield url
    finally:
        server.send_signal(signal.SIGINT)
        server.wait(timeout=30)


def wait_for(url: str) -> None:
    deadline = time.monotonic() + 120
    while time.monotonic() < deadline:
        try:
            with urllib.request.urlopen(f"{url}/healthz", timeout=2):
                return
        except OSError:
            time.sleep(0.3)
    raise SystemExit("The product did not start within two minutes.")


def passwords(folder: Path) -> dict[str, str]:
    lines = (folder / "demo-logins.txt").read_text(encoding="utf-8").splitlines()
    return {line.split()[0]: line.split()[1] for line in lines}


def sign_in(page: Page, who: str, password: str) -> None:
    page.goto("/accounts/login/")
    page.get_by_label("Username").fill(who)
    page.get_by_label("Password").fill(password)
    page.get_by_role("button", name="Sign in").click()
    page.wait_for_url(lambda url: "/accounts/" not in url)


def take(url: str, known: dict[str, str], browser_path: str) -> list[Path]:
    PICTURES.mkdir(parents=True, exist_ok=True)
    written = []
    with sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=browser_path, args=["--no-sandbox"])
        for name, who, where, size, scheme in SHOTS:
            context = browser.new_context(
                base_url=url,
                viewport=size,  # type: ignore[arg-type]
                color_scheme=scheme,  # type: ignore[arg-type]
            )
            page = context.new_page()
            sign_in(page, who, known[who])
            page.goto(where)
            path = PICTURES / f"{name}.png"
            page.screenshot(path=path)
            shrink(path)
            written.append(path)
            context.close()
        browser.close()
    return written


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--port", type=int, default=8131)
    parser.add_argument("--browser", default=os.environ.get("CHROMIUM", "/usr/bin/chromium"))
    options = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="musterwell-shots-") as name:
        folder = Path(name)
        with product(folder, options.port) as url:
            written = take(url, passwords(folder), options.browser)
    for path in written:
        size = path.stat().st_size
        print(f"{path.relative_to(ROOT)}  {size // 1000} KB{'  TOO LARGE' if size > MOST_BYTES else ''}")
    if any(path.stat().st_size > MOST_BYTES for path in written):
        raise SystemExit("Some pictures are over 150 KB: show less.")


if __name__ == "__main__":
    main()
