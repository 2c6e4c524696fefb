"""A browser in front of the running product: the invented scenario as of the stated day, one server for all journeys.

The server runs in a thread of the test process, with the clock at noon of the stated day; jobs are run where they are
asked for. Every page a test opens is watched: nothing may ask another machine, break the content security policy, or fail
in a script.
"""

import os

os.environ["DJANGO_ALLOW_ASYNC_UNSAFE"] = "1"  # the browser driver keeps an event loop in this thread

import datetime as dt
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import pytest
import time_machine
from playwright.sync_api import Browser, BrowserContext, ConsoleMessage, Page, Request, expect
from pytest_django.live_server_helper import LiveServer

DESK = {"width": 1280, "height": 900}
PHONE = {"width": 375, "height": 740}
PATIENCE_MS = 20_000  # how long a state is waited for on a busy machine

expect.set_options(timeout=PATIENCE_MS)


@dataclass(frozen=True)
class World:
    """The running product, and the password of each ready login."""

    url: str
    passwords: dict[str, str]
    today: dt.date


@pytest.fixture(scope="session")
def browser_type_launch_args(chromium: str) -> dict[str, Any]:
    return {"executable_path": chromium, "args": ["--no-sandbox"]}


@pytest.fixture(scope="session")
def world(
    django_test_environment: None,
    django_db_modify_db_settings: None,
    django_db_blocker: Any,
    today: dt.date,
    now: dt.datetime,
    tmp_path_factory: Any,
) -> Iterator[World]:
    """Sets the test database up by hand: no test here may have a transaction of its own around it."""
    from django.conf import settings
    from django.test.utils import setup_databases, teardown_databases

    from readiness.demo.loggers import loggers_at_work
    from readiness.demo.logins import make_logins
    from readiness.demo.passes import past_passes, people_at_work, todays_pass
    from readiness.demo.scenario import build
    from readiness.demo.source import read_source
    from readiness.demo.write import Writer

    with django_db_blocker.unblock(), time_machine.travel(now, tick=True):
        databases = setup_databases(verbosity=0, interactive=False, aliases={"default"}, keepdb=True)
        source = read_source(Path(settings.BASE_DIR) / "fixtures")
        Writer(build(source, today)).write()
        names = [person["username"] for person in source["people"] if person["login"]]
        logins = make_logins(names, tmp_path_factory.mktemp("logins"))
        loggers_at_work(today)
        past_passes(today, 4)
        todays_pass(today)
        people_at_work(today)
        server = LiveServer("127.0.0.1")
        try:
            yield World(server.url, {login.username: login.password for login in logins}, today)
        finally:
            server.stop()
            teardown_databases(databases, verbosity=0, keepdb=False)


@dataclass
class Watch:
    """What the browser said and asked for while a test drove it."""

    home: str
    outside: list[str] = field(default_factory=list)
    policy: list[str] = field(default_factory=list)
    failures: list[str] = field(default_factory=list)

    def follow(self, context: BrowserContext) -> None:
        context.on("request", self.asked)
        context.on("console", self.said)
        context.on("weberror", lambda error: self.failures.append(str(error.error)))

    def asked(self, request: Request) -> None:
        parts = urlsplit(request.url)
        if parts.scheme in ("http", "https", "ws", "wss") and parts.netloc != urlsplit(self.home).netloc:
            self.outside.append(request.url)

    def said(self, message: ConsoleMessage) -> None:
        text = message.text
        if "Content Security Policy" in text or "Refused to" in text:
            self.policy.append(text)
        elif message.type == "error" and "Failed to load resource" not in text:
            self.failures.append(text)

    def check(self) -> None:
        assert not self.outside, f"asked another machine: {self.outside}"
        assert not self.policy, f"broke the content security policy: {self.policy}"
        assert not self.failures, f"failed in the browser: {self.failures}"


@pytest.fixture
def watch(world: World) -> Iterator[Watch]:
    watch = Watch(world.url)
    yield watch
    watch.check()


Enter = Callable[..., Page]


@pytest.fixture(scope="session")
def signed_in() -> dict[str, Any]:
    """What a browser keeps of each person who has signed in once."""
    return {}


def sign_in(page: Page, who: str, password: str) -> None:
    """By the form, as people do."""
    page.goto("/accounts/login/")
    page.get_by_label("Username").fill(who)
    page.get_by_label("Password").fill(password)
    page.get_by_role("button", name="Sign in").click()
    page.wait_for_url(lambda url: "/accounts/" not in url)


@pytest.fixture
def enter(world: World, browser: Browser, watch: Watch, signed_in: dict[str, Any]) -> Iterator[Enter]:
    """`enter("lisbon")` gives a page of someone signed in; `size`, `scheme` and `touch` choose the device."""
    contexts: list[BrowserContext] = []

    def come_in(
        who: str | None, *, size: dict[str, int] = DESK, scheme: str = "light", touch: bool = False
    ) -> Page:
        context = browser.new_context(
            base_url=world.url,
            viewport=size,  # type: ignore[arg-type]
            color_scheme=scheme,  # type: ignore[arg-type]
            has_touch=touch,
            is_mobile=touch,
            accept_downloads=True,
            reduced_motion="reduce",
            storage_state=signed_in.get(who or ""),  # type: ignore[arg-type]
        )
        contexts.append(context)
        watch.follow(context)
        page = context.new_page()
        page.set_default_timeout(PATIENCE_MS)
        if who is not None and who not in signed_in:
            sign_in(page, who, world.passwords[who])
            signed_in[who] = context.storage_state()
        return page

    yield come_in
    for context in contexts:
        context.close()
