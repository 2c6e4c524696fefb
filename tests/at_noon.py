"""For tests of pages, which ask the clock what day it is: here it stands at noon UTC of the stated day.

A conftest that imports these has every test beside it and below stand still at that moment.
"""

from collections.abc import Callable, Iterator

import pytest
import time_machine
from django.db import connection
from django.test import Client
from django.test.utils import CaptureQueriesContext

from fleet.models import User
from tests.factories.fleet import NOW


@pytest.fixture(autouse=True)
def noon() -> Iterator[None]:
    with time_machine.travel(NOW, tick=False):
        yield


@pytest.fixture
def signed_in() -> Callable[[User], Client]:
    def sign_in(user: User) -> Client:
        client = Client()
        client.force_login(user)
        return client

    return sign_in


@pytest.fixture
def queries_of() -> Callable[[Client, str], int]:
    """How many queries a page takes; the page must be there."""

    def count(client: Client, url: str) -> int:
        with CaptureQueriesContext(connection) as captured:
            assert client.get(url).status_code == 200
        return len(captured)

    return count
