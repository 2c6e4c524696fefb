"""Both worlds: SQLite with the file broker always, PostgreSQL with Redis when their addresses are given."""

import os
from collections.abc import Callable, Iterator

import pytest

from tests.conftest import need_service
from tests.faults.world import PostgresStore, SqliteStore, Stage, empty_world


@pytest.fixture(scope="session", params=["sqlite", "postgres"])
def store(request: pytest.FixtureRequest) -> SqliteStore | PostgresStore:
    if request.param == "sqlite":
        return SqliteStore()
    need_service("postgres")
    need_service("redis")
    return PostgresStore(os.environ["DATABASE_URL"], os.environ["REDIS_URL"])


@pytest.fixture(scope="session")
def stage(
    store: SqliteStore | PostgresStore, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[Callable[[str], Stage]]:
    """Gives the stage of a kind, made on first use. All lie in one folder, beside the empty database they copy."""
    folder = tmp_path_factory.mktemp(f"faults-{store.label}")
    empty = empty_world(store, folder)
    made: dict[str, Stage] = {}

    def of(kind: str) -> Stage:
        if kind not in made:
            made[kind] = Stage(store, folder, empty, kind)
        return made[kind]

    yield of
    for one in made.values():
        one.close()
    store.drop(empty.name, empty.folder)
