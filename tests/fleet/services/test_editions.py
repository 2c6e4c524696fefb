"""Editions are loaded by one person, released by a second with the list of changes that was shown, and withdrawn."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date
from typing import Any

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from fleet.domain.dangerous_goods.editions import edition_for
from fleet.domain.dangerous_goods.loaded import TableFaults
from fleet.domain.dangerous_goods.rules import held_rules
from fleet.domain.dangerous_goods.words import Mode
from fleet.lib.errors import DomainError
from fleet.models import AuditEntry, RuleEdition
from fleet.selectors.editions import goods_in_force, rules_in_force
from fleet.services import editions as service
from fleet.services.editions import edition_count, edition_load, edition_release, edition_withdraw
from tests.at_noon import noon  # noqa: F401  (the moment at which everything here happens)
from tests.cast import Cast
from tests.editions import AIR_2027, US_2027, air_edition, table
from tests.factories.fleet import MembershipFactory, UserFactory

pytestmark = [pytest.mark.django_db, pytest.mark.db_both]
FIRST = date(2027, 1, 1)


@pytest.fixture(autouse=True)
def counted() -> Iterator[list[str]]:
    """Stands for the counter of the upper app: its digest is what the test puts in front."""
    digest, there = ["first"], list(service._counters)
    service.count_changes_with(lambda before, after, now, progress: {"digest": digest[0], "units_changed": 0})
    yield digest
    service._counters[:] = there


def air_on(day: date) -> str:
    edition = edition_for(Mode.AIR, day, rules_in_force().editions)
    return edition.key if edition else ""


def released(cast: Cast, edition: RuleEdition) -> RuleEdition:
    return edition_release(edition=edition, seen="first", actor=cast.dina)


def test_a_loaded_edition_changes_nothing_and_a_released_one_holds_on_its_days(cast: Cast) -> None:
    edition = air_edition(cast.ada)
    assert rules_in_force() == held_rules()
    assert released(cast, edition).state == "released"
    assert air_on(FIRST) == "air_test"
    assert air_on(date(2026, 12, 31)) == "air_2026"
    edition_withdraw(edition=edition, reason="a misprint", actor=cast.dina)
    assert rules_in_force() == held_rules()


def test_whoever_loaded_it_cannot_release_it(cast: Cast) -> None:
    edition = air_edition(cast.ada)
    with pytest.raises(DomainError, match="a second person does"):
        edition_release(edition=edition, seen="first", actor=cast.ada)
    edition.refresh_from_db()
    assert edition.state == "loaded"


def test_only_administrators_load_and_only_they_and_dispatchers_of_all_depots_release(cast: Cast) -> None:
    local = UserFactory()
    MembershipFactory(user=local, role="administrator", depot=cast.north)
    for person in (cast.dina, cast.nora, cast.vera, local):
        with pytest.raises(DomainError, match="Only an administrator"):
            air_edition(person)
    edition = air_edition(cast.ada)
    for person in (cast.nora, cast.percy, cast.vera, cast.stig, local):
        with pytest.raises(DomainError, match="Only an administrator or a dispatcher"):
            edition_release(edition=edition, seen="first", actor=person)
        with pytest.raises(DomainError, match="Only an administrator or a dispatcher"):
            edition_withdraw(edition=edition, reason="no", actor=person)
    assert RuleEdition.objects.get().state == "loaded"


def test_the_same_tables_are_refused_whatever_their_line_ends_until_they_are_withdrawn(cast: Cast) -> None:
    edition = air_edition(cast.ada)
    with pytest.raises(DomainError, match=r"were loaded on .* by Ada Brook: 'Air 2027'"):
        edition_load(name="again", editions_csv=table(AIR_2027).replace("\n", "\r\n"), actor=cast.ada)
    assert RuleEdition.objects.count() == 1
    edition_withdraw(edition=edition, reason="wrong file", actor=cast.ada)
    assert air_edition(cast.ada).pk != edition.pk


def test_tables_with_faults_leave_nothing_behind(cast: Cast) -> None:
    with pytest.raises(TableFaults, match="Begin on 2027-01-01"):
        air_edition(cast.ada, valid_from="2027-02-01")
    with pytest.raises(DomainError, match="Give the edition a name"):
        edition_load(name=" ", editions_csv=table(AIR_2027), actor=cast.ada)
    assert not RuleEdition.objects.exists()
    assert not AuditEntry.objects.filter(action__startswith="ruleedition").exists()


def test_a_list_that_was_not_shown_releases_nothing_and_is_kept_to_be_looked_at(
    cast: Cast, counted: list[str]
) -> None:
    edition = edition_count(edition=air_edition(cast.ada))
    assert edition.changes["digest"] == "first"
    counted[0] = "second"
    with pytest.raises(DomainError, match="Look again"):
        edition_release(edition=edition, seen="first", actor=cast.dina)
    edition.refresh_from_db()
    assert (edition.state, edition.changes["digest"]) == ("loaded", "second")
    assert edition_release(edition=edition, seen="second", actor=cast.dina).state == "released"
    with pytest.raises(DomainError, match="does not wait for release"):
        edition_release(edition=edition, seen="second", actor=cast.dina)


def test_rules_that_change_while_the_list_is_made_stop_the_release(cast: Cast) -> None:
    edition, other = (
        air_edition(cast.ada),
        edition_load(name="US", editions_csv=table(US_2027), actor=cast.ada),
    )

    def meanwhile(before: Any, after: Any, now: Any, progress: Any) -> dict[str, Any]:
        RuleEdition.objects.filter(pk=other.pk).update(
            state="released", released_by=cast.dina, released_at=now
        )
        return {"digest": "first"}

    service.count_changes_with(meanwhile)
    with pytest.raises(DomainError, match="Other rules came into force just now"):
        edition_release(edition=edition, seen="first", actor=cast.dina)
    edition.refresh_from_db()
    assert edition.state == "loaded"


def test_of_two_that_wait_for_the_same_days_one_is_released(cast: Cast) -> None:
    first, second = air_edition(cast.ada), air_edition(cast.ada, key="air_other")
    released(cast, first)
    with pytest.raises(DomainError, match="does not follow on what is in force"):
        released(cast, second)
    with pytest.raises(DomainError, match="does not follow on what is in force"):
        edition_count(edition=second)


def test_an_edition_is_not_withdrawn_while_a_later_one_rests_on_it(cast: Cast) -> None:
    first = released(cast, air_edition(cast.ada))
    next_year = {"key": "air_next", "valid_from": "2028-01-01", "valid_to": "2028-12-31"}
    second = released(cast, air_edition(cast.ada, **next_year))
    with pytest.raises(DomainError, match="rest on 'Air 2027'"):
        edition_withdraw(edition=first, reason="a misprint", actor=cast.ada)
    edition_withdraw(edition=second, reason="a misprint", actor=cast.ada)
    edition_withdraw(edition=first, reason="a misprint", actor=cast.ada)
    assert rules_in_force() == held_rules()
    with pytest.raises(DomainError, match="withdrawn already"):
        edition_withdraw(edition=first, reason="once more", actor=cast.ada)


def test_a_withdrawal_says_why(cast: Cast) -> None:
    edition = air_edition(cast.ada)
    with pytest.raises(DomainError, match="Say why"):
        edition_withdraw(edition=edition, reason="  ", actor=cast.ada)


def test_every_step_is_in_the_audit(cast: Cast) -> None:
    edition = released(cast, air_edition(cast.ada))
    edition_withdraw(edition=edition, reason="a misprint", actor=cast.dina)
    lines = AuditEntry.objects.filter(subject_kind="ruleedition").order_by("pk")
    assert [(line.action, line.actor, line.note) for line in lines] == [
        ("ruleedition.load", cast.ada, ""),
        ("ruleedition.release", cast.dina, ""),
        ("ruleedition.withdraw", cast.dina, "a misprint"),
    ]
    assert lines[1].after["digest"] == "first"


def us_on(day: date) -> str:
    edition = edition_for(Mode.ROAD_US, day, rules_in_force().editions)
    return edition.key if edition else ""


@pytest.mark.parametrize("text", ["", "mode,key\nROAD_US,x\n", "not a table at all"])
def test_a_released_edition_that_cannot_be_read_leaves_no_older_text_standing(cast: Cast, text: str) -> None:
    edition = edition_load(name="US", editions_csv=table(US_2027), actor=cast.ada)
    released(cast, edition)
    assert us_on(FIRST) == "us_test"
    RuleEdition.objects.update(editions_csv=text)
    assert us_on(FIRST) == ""
    assert us_on(date(2026, 12, 31)) == ("" if "ROAD_US" in text else "cfr_49")  # the day itself is gone
    assert air_on(date(2026, 6, 1)) == "air_2026"
    fault = rules_in_force().fault_on(Mode.ROAD_US, FIRST)
    assert fault is not None
    assert "not those that were released" in fault.sentence


def test_tables_changed_below_the_services_are_not_followed(cast: Cast) -> None:
    released(cast, air_edition(cast.ada))
    RuleEdition.objects.update(editions_csv=table(AIR_2027 | {"soc_vehicle_mandatory": "no"}))
    assert air_on(FIRST) == ""
    assert air_on(date(2026, 12, 31)) == "air_2026"


def test_the_rules_take_one_query_and_are_put_together_once(cast: Cast) -> None:
    released(cast, air_edition(cast.ada))
    rules = rules_in_force()
    with CaptureQueriesContext(connection) as seen:
        assert rules_in_force() is rules
    assert len(seen) == 1


def test_entries_of_a_released_goods_table_can_be_entered(cast: Cast) -> None:
    from tests.fleet.domain.test_loaded_rules import ENTRY, goods

    text = goods(ENTRY, ENTRY | {"un_number": "UN 3600"})
    own = table(AIR_2027 | {"goods_table": "goods_test"})
    edition = edition_load(name="Air", editions_csv=own, goods_csv=text, actor=cast.ada)
    assert "3600" not in goods_in_force()
    released(cast, edition)
    assert "3600" in goods_in_force()
    assert "1950" in goods_in_force()
