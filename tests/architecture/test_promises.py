"""What the documentation and the house rules promise is so."""

import re
import subprocess
from pathlib import Path

import pytest
from django.core.management import call_command

ROOT = Path(__file__).resolve().parents[2]
BINARY = {".png", ".jpg", ".webp", ".gif", ".ico", ".xlsx", ".pdf", ".woff2", ".ttf", ".gz", ".zip"}
MACHINE_PATHS = re.compile(
    "(?<![A-Za-z0-9_.])/(?:" + "|".join(["wo" + "rk", "ro" + "ot", "ho" + "me"]) + ")/"
)
INDEX_HOSTS = re.compile(r"--(?:extra-)?index-url|--find-links|--trusted-host")
INLINE = {
    "a style attribute": re.compile(r"<[^>]*\sstyle\s*=", re.IGNORECASE),
    "an event attribute": re.compile(r"<[^>]*\son[a-z]+\s*=\s*[\"']", re.IGNORECASE),
    "a style element": re.compile(r"<style\b", re.IGNORECASE),
    "a script without src": re.compile(
        r"<script\b(?![^>]*\bsrc\s*=)(?![^>]*application/json)[^>]*>", re.IGNORECASE
    ),
    "an address outside": re.compile(r"(?:src|href)\s*=\s*[\"']https?://(?!www\.w3\.org)", re.IGNORECASE),
    "inline htmx script": re.compile(r"hx-on[:-]|hx-vals\s*=\s*[\"']js:", re.IGNORECASE),
}


def tracked(*patterns: str) -> list[Path]:
    listed = subprocess.run(
        ["git", "ls-files", "--", *patterns], cwd=ROOT, capture_output=True, text=True, check=True
    )
    return [path for name in listed.stdout.splitlines() if (path := ROOT / name).is_file()]


def without_comments(text: str) -> str:
    text = re.sub(r"{%\s*comment.*?%}.*?{%\s*endcomment\s*%}", "", text, flags=re.DOTALL)
    return re.sub(r"{#.*?#}|<!--.*?-->", "", text, flags=re.DOTALL)


@pytest.mark.django_db
def test_no_model_change_lacks_its_migration() -> None:
    call_command("makemigrations", check=True, dry_run=True, verbosity=0)


def test_no_path_of_a_machine_is_in_the_tree() -> None:
    found = [
        f"{path.relative_to(ROOT)}: {line.strip()[:80]}"
        for path in tracked()
        if path.suffix not in BINARY
        for line in path.read_text(encoding="utf-8", errors="replace").splitlines()
        if MACHINE_PATHS.search(line)
    ]
    assert found == []


def test_the_lock_files_name_no_index_and_hash_everything() -> None:
    for name in ("requirements.lock", "requirements-dev.lock"):
        text = (ROOT / name).read_text(encoding="utf-8")
        assert not INDEX_HOSTS.search(text), name
        pinned = [line for line in text.splitlines() if re.match(r"[a-z0-9]", line)]
        assert pinned
        assert all("==" in line and line.endswith("\\") for line in pinned), name
        assert text.count("--hash=sha256:") >= len(pinned)


def test_the_development_lock_agrees_with_the_other() -> None:
    def pins(name: str) -> set[str]:
        return set(re.findall(r"^([a-z0-9][^ ]*==[^ ]+)", (ROOT / name).read_text(), re.MULTILINE))

    assert pins("requirements.lock") <= pins("requirements-dev.lock")


@pytest.mark.parametrize("what", INLINE)
def test_templates_and_drawings_hold_nothing_inline(what: str) -> None:
    found = [
        f"{path.relative_to(ROOT)}: {match.group(0)[:80]}"
        for path in tracked("*.html", "*.svg")
        for match in INLINE[what].finditer(without_comments(path.read_text(encoding="utf-8")))
    ]
    assert found == [], f"{what} is blocked by the content policy"


@pytest.mark.parametrize(
    ("what", "text"),
    [
        ("a style attribute", '<p style="color: red">'),
        ("an event attribute", '<a onclick="go()">'),
        ("a style element", "<style>p {}</style>"),
        ("a script without src", "<script>go()</script>"),
        ("an address outside", '<img src="https://example.org/a.png">'),
        ("inline htmx script", '<a hx-on:click="go()">'),
    ],
)
def test_each_inline_pattern_finds_its_case(what: str, text: str) -> None:
    assert INLINE[what].search(text)


def test_every_make_command_in_the_documents_exists() -> None:
    makefile = (ROOT / "Makefile").read_text(encoding="utf-8")
    targets = set(re.findall(r"^([a-z][a-z-]*):", makefile, re.MULTILINE))
    assert {"setup", "demo", "test", "check", "storm", "bench"} <= targets
    for document in tracked("*.md"):
        named = set(
            re.findall(r"(?:`|^\s*)make ([a-z][a-z-]*)", document.read_text(encoding="utf-8"), re.MULTILINE)
        )
        assert named <= targets, f"{document.relative_to(ROOT)} names {sorted(named - targets)}"


def test_every_environment_name_of_the_settings_is_in_the_example() -> None:
    settings = (ROOT / "fleet/project/settings.py").read_text(encoding="utf-8")
    named = set(re.findall(r'(?:envbool|envint|envlist|envsecret|environ\.get)\("([A-Z_]+)"', settings))
    assert len(named) > 10
    example = (ROOT / ".env.example").read_text(encoding="utf-8")
    internal = {"MUSTERWELL_WORKER"}
    missing = {name for name in named - internal if name not in example}
    assert missing == set()
