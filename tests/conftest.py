"""Shared fixtures: the stated day, and the rule that a missing service may not hide a test.

REQUIRE=postgres,redis,chromium turns a skip of a test that needs one of these into a failure.
MUSTERWELL_TEST_TODAY=2028-02-29 states another day for every test that asks for `today`.
"""

import datetime as dt
import hashlib
import os
import shutil
import sqlite3
from collections.abc import Generator
from pathlib import Path
from typing import Any

import django
import pytest
from django.conf import settings
from hypothesis import HealthCheck
from hypothesis import settings as hypothesis_settings

from tests.cast import cast  # noqa: F401  (the fixture that everyone uses)

# A busy machine must not fail a rule: no time limit an example; CI tries the same examples each time.
hypothesis_settings.register_profile(
    "musterwell",
    deadline=None,
    suppress_health_check=[HealthCheck.too_slow],
    derandomize=bool(os.environ.get("CI")),
)
hypothesis_settings.load_profile("musterwell")

DEFAULT_TODAY = "2026-11-25"
SERVICES = ("postgres", "redis", "chromium")
MARKER_NEEDS = {"browser": ("chromium",)}


def required_services() -> set[str]:
    named = {part.strip() for part in os.environ.get("REQUIRE", "").split(",") if part.strip()}
    if unknown := named - set(SERVICES):
        raise pytest.UsageError(
            f"REQUIRE names {', '.join(sorted(unknown))}; known are {', '.join(SERVICES)}."
        )
    return named


def chromium_path() -> str | None:
    return os.environ.get("CHROMIUM") or shutil.which("chromium") or shutil.which("chromium-browser")


def need_service(name: str) -> None:
    """Skips the asking test when the service is not at hand; under REQUIRE the skip becomes a failure."""
    at_hand = {
        "postgres": os.environ.get("DATABASE_URL", "").startswith("postgres"),
        "redis": bool(os.environ.get("REDIS_URL")),
        "chromium": chromium_path() is not None,
    }
    if not at_hand[name]:
        pytest.skip(f"needs {name}")


def pytest_configure(config: pytest.Config) -> None:
    required_services()


def pytest_runtest_setup(item: pytest.Item) -> None:
    for marker, services in MARKER_NEEDS.items():
        if item.get_closest_marker(marker):
            for service in services:
                need_service(service)


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(
    item: pytest.Item, call: pytest.CallInfo[None]
) -> Generator[None, pytest.TestReport, pytest.TestReport]:
    report = yield
    if report.skipped and call.excinfo is not None and not hasattr(report, "wasxfail"):
        reason = str(call.excinfo.value)
        if missing := [name for name in required_services() if f"needs {name}" in reason]:
            report.outcome = "failed"
            report.longrepr = f"REQUIRE demands {', '.join(missing)}, but the test was skipped: {reason}"
    return report


@pytest.fixture(scope="session")
def chromium() -> str:
    """The path of the browser."""
    need_service("chromium")
    path = chromium_path()
    assert path is not None
    return path


@pytest.fixture(scope="session", autouse=True)
def emptying_between_tests() -> Generator[None, None, None]:
    """Lets `flush`, with which transactional tests clear the database, empty the tables whose rows are kept.

    Only here: the guards are taken away before the flush and put back after it, whatever happens.
    """
    from django.core.management.commands.flush import Command

    from fleet.services.guards import guards_install, guards_remove

    flush = Command.handle

    def handle(self: Command, **options: Any) -> None:
        using = options.get("database") or "default"
        guards_remove(using)
        try:
            flush(self, **options)
        finally:
            guards_install(using)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(Command, "handle", handle)
        yield


@pytest.fixture(scope="session")
def today() -> dt.date:
    """The stated day of this run. No test reads the clock."""
    return dt.date.fromisoformat(os.environ.get("MUSTERWELL_TEST_TODAY") or DEFAULT_TODAY)


@pytest.fixture(scope="session")
def now(today: dt.date) -> dt.datetime:
    """Noon UTC of the stated day."""
    return dt.datetime.combine(today, dt.time(12), tzinfo=dt.UTC)


def migrated_copy() -> Path:
    """Where an empty, migrated SQLite database is kept between runs; the name follows from every migration's text."""
    root = Path(settings.BASE_DIR)
    text = hashlib.sha256(f"{django.VERSION} {sqlite3.sqlite_version}".encode())
    for app in ("fleet", "inventory", "readiness"):
        for path in sorted((root / app / "migrations").glob("*.py")):
            text.update(path.name.encode() + path.read_bytes())
    return root / ".pytest_cache" / "migrated" / f"{text.hexdigest()[:16]}.sqlite3"


@pytest.fixture(scope="session")
def django_db_keepdb(django_db_keepdb: bool) -> bool:
    """On SQLite the database file goes with the run's folder, so it is neither asked about nor taken down."""
    return django_db_keepdb or settings.DATABASES["default"]["ENGINE"].endswith("sqlite3")


@pytest.fixture(scope="session")
def django_db_modify_db_settings(django_db_modify_db_settings: None) -> None:
    """Starts from the kept copy when no migration has changed: migrating costs some ten seconds a run."""
    database = settings.DATABASES["default"]
    if database["ENGINE"].endswith("sqlite3") and migrated_copy().exists():
        shutil.copy(migrated_copy(), database["TEST"]["NAME"])


@pytest.fixture(scope="session")
def django_db_setup(django_db_setup: None, django_db_blocker: Any) -> None:
    copy = migrated_copy()
    if settings.DATABASES["default"]["ENGINE"].endswith("sqlite3") and not copy.exists():
        from django.db import connection

        draft = copy.with_suffix(f".{os.getpid()}")
        copy.parent.mkdir(parents=True, exist_ok=True)
        for old in copy.parent.glob("*.sqlite3"):
            old.unlink(missing_ok=True)
        with django_db_blocker.unblock(), connection.cursor() as cursor:
            cursor.execute("VACUUM INTO %s", [str(draft)])
        draft.rename(copy)
