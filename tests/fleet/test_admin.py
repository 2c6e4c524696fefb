"""The admin site keeps the rules: records are put right, never overwritten or deleted; results are only looked at."""

import datetime as dt
import re

import pytest
import time_machine
from django.contrib import admin
from django.urls import reverse
from django.utils import timezone

from fleet.models import AuditEntry, Correctable, Membership, Place, Unit, UnitForm, User, Weighing
from readiness.models import Alert, BankState, Charge, InspectionType, Reading, Verdict
from tests.factories.fleet import (
    NOW,
    TODAY,
    DepotFactory,
    DesignFactory,
    PackedFormFactory,
    UnitFactory,
    UserFactory,
    WeighingFactory,
)
from tests.factories.readiness import ChargeFactory, InspectionTypeFactory, ReadingFactory, VerdictFactory

pytestmark = [pytest.mark.django_db, pytest.mark.db_both]
DAY = dt.timedelta(days=1)


@pytest.fixture(autouse=True)
def stated_day():
    with time_machine.travel(NOW, tick=False):
        yield


@pytest.fixture
def root(client):
    user = User.objects.create(username="root", is_staff=True, is_superuser=True, first_name="Rut")
    client.force_login(user)
    return user


def address(row, page="change"):
    meta = row._meta
    return reverse(f"admin:{meta.app_label}_{meta.model_name}_{page}", args=[row.pk])


def typed(client, row):
    """What the change form of a row would send unchanged."""
    form = client.get(address(row)).context["adminform"].form
    sent = {}
    for name in form.fields:
        value = form[name].value()
        if isinstance(value, dt.datetime):
            value = timezone.localtime(value)
            sent |= {f"{name}_0": f"{value:%Y-%m-%d}", f"{name}_1": f"{value:%H:%M:%S}"}
        elif value is not None and value is not False:
            sent[name] = value
    return sent


def test_changing_a_reading_supersedes_it(client, root):
    reading = ReadingFactory(volts_v=25.6)
    answer = client.post(address(reading), typed(client, reading) | {"volts_v": "24.6", "reason": "misread"})
    assert answer.status_code == 302
    reading.refresh_from_db()
    right = Reading.objects.counting().get()
    assert (reading.volts_v, reading.superseded_by, right.volts_v) == (25.6, right, 24.6)
    assert right.recorded_by == root
    assert right.happened_at == reading.happened_at
    assert AuditEntry.objects.get(action="reading.supersede").note == "misread"


def test_a_refused_correction_says_why_and_keeps_what_was_typed(client, root):
    reading = ReadingFactory()
    answer = client.post(address(reading), typed(client, reading) | {"volts_v": "240"})
    assert answer.status_code == 200
    assert "240 V cannot be the voltage" in answer.content.decode()
    assert Reading.objects.get().counts


def test_striking_needs_a_reason(client, root):
    charge = ChargeFactory()
    sent = typed(client, charge) | {"strike": "on"}
    assert "Say why" in client.post(address(charge), sent).content.decode()
    client.post(address(charge), sent | {"reason": "another bank"})
    assert Charge.objects.get().struck_reason == "another bank"
    assert client.post(address(charge), sent | {"reason": "again"}).status_code == 403


def test_nothing_is_deleted_and_results_are_only_looked_at(client, root):
    for model, page in admin.site._registry.items():
        if model._meta.app_label not in {"fleet", "inventory", "readiness"} or model is Membership:
            continue
        assert not page.has_delete_permission(answer_request(root)), model
        if issubclass(model, Correctable):
            assert not page.has_add_permission(answer_request(root)), model
    for model in (Verdict, Alert, BankState, AuditEntry):
        page = admin.site._registry[model]
        assert not page.has_add_permission(answer_request(root))
        assert not page.has_change_permission(answer_request(root))
    assert client.post(address(VerdictFactory()), {"outcome": "ready"}).status_code == 403


def answer_request(user):
    from django.test import RequestFactory

    request = RequestFactory().get("/")
    request.user = user
    return request


def test_editing_a_place_is_audited_and_versioned(client, root):
    place = DepotFactory(name="Old")
    sent = typed(client, place)
    client.post(address(place), sent | {"name": "New"})
    place.refresh_from_db()
    assert (place.name, place.version) == ("New", 2)
    entry = AuditEntry.objects.get(action="place.edit")
    assert (entry.actor, entry.before["name"], entry.after["name"]) == (root, "Old", "New")
    answer = client.post(address(place), sent | {"name": "Newer"}).content.decode()
    assert "saved New while you had it open" in answer
    assert "New there now, Newer typed" in answer
    assert Place.objects.get(pk=place.pk).name == "New"


def test_terms_without_a_version_are_audited_and_checked(client, root):
    terms = DepotFactory().terms.get()
    client.post(address(terms), typed(client, terms) | {"notice_h": "12"})
    assert AuditEntry.objects.get(action="depotterms.edit").before == {"notice_h": 24.0}
    answer = client.post(address(terms), typed(client, terms) | {"valid_to": "1999-01-01"})
    assert "The end lies before the start" in answer.content.decode()


def test_an_inspection_type_may_be_narrowed_to_designs(client, root):
    row, design = InspectionTypeFactory(), DesignFactory()
    client.post(address(row), typed(client, row) | {"designs": [design.pk]})
    assert list(InspectionType.objects.get().designs.all()) == [design]
    assert AuditEntry.objects.filter(action="inspectiontype.designs").count() == 1


def test_a_new_unit_stands_at_home(client, root):
    depot, design = DepotFactory(), DesignFactory()
    url = reverse("admin:fleet_unit_add")
    sent = {"tag": "MW-9", "design": design.pk, "home": depot.pk}
    assert client.post(url, sent).status_code == 302
    assert Unit.objects.get().stays.current().get().place == depot
    assert "Another unit bears this tag" in client.post(url, sent | {"tag": "mw-9"}).content.decode()
    assert Unit.objects.count() == 1


def test_giving_a_role_is_audited(client, root):
    person, depot = UserFactory(), DepotFactory()
    url = reverse("admin:fleet_user_change", args=[person.pk])
    form = client.get(url).context["adminform"].form
    sent = {
        "username": person.username,
        "unit_system": "si",
        "theme": "auto",
        "is_active": "on",
        "date_joined_0": f"{form['date_joined'].value():%Y-%m-%d}",
        "date_joined_1": f"{form['date_joined'].value():%H:%M:%S}",
        "memberships-TOTAL_FORMS": "1",
        "memberships-INITIAL_FORMS": "0",
        "memberships-0-role": "depot_manager",
        "memberships-0-depot": depot.pk,
    }
    assert client.post(url, sent).status_code == 302
    assert Membership.objects.get().depot == depot
    assert AuditEntry.objects.get(action="membership.set").after["role"] == "depot_manager"


def test_list_pages_cost_the_same_at_two_sizes(client, root, django_assert_num_queries):
    from django.db import connection
    from django.test.utils import CaptureQueriesContext

    def costs():
        found = {}
        for model in (Reading, Unit, Verdict, InspectionType):
            with CaptureQueriesContext(connection) as context:
                meta = model._meta
                assert (
                    client.get(reverse(f"admin:{meta.app_label}_{meta.model_name}_changelist")).status_code
                    == 200
                )
            found[model] = len(context)
        return found

    for _ in range(2):
        ReadingFactory()
        VerdictFactory()
        InspectionTypeFactory()
    costs()
    small = costs()
    for _ in range(12):
        ReadingFactory(recorded_by=UserFactory())
        VerdictFactory(unit=UnitFactory())
        InspectionTypeFactory()
    assert costs() == small


def test_measures_out_of_the_ordinary_are_asked_about(client, root):
    form = PackedFormFactory()
    sent = typed(client, form)
    for mass, sentence in (("3.7", "less than 50 kg"), ("200000", "m³")):
        answer = client.post(address(form), sent | {"mass_kg": mass})
        assert sentence in answer.content.decode()
    answer = client.post(address(form), sent | {"lifting_points": "2"})
    assert "fewer than the 4 legs of a sling" in answer.content.decode()
    answer = client.post(address(form), sent | {"cog_x_mm": "-5", "confirmed": "on"})
    assert "-5 is less than 0" in answer.content.decode()
    form.refresh_from_db()
    assert (form.mass_kg, form.lifting_points, form.cog_x_mm, form.version) == (1800.0, None, None, 1)
    answer = client.post(address(form), sent | {"lifting_points": "2", "confirmed": "on"})
    assert answer.status_code == 302
    form.refresh_from_db()
    assert (form.lifting_points, form.version) == (2, 2)


def test_a_new_form_is_asked_about_beside_the_others_of_its_design(client, root):
    form = PackedFormFactory(mass_kg=3600.0)
    sent = {"design": form.design_id, "code": "trailer", "kind": "trailer", "mass_kg": "370"}
    answer = client.post(reverse("admin:fleet_packedform_add"), sent)
    assert "370 kg against 3600 kg of another form" in answer.content.decode()
    assert client.post(reverse("admin:fleet_packedform_add"), sent | {"confirmed": "on"}).status_code == 302
    assert form.design.packed_forms.count() == 2


def test_a_weighing_out_of_the_ordinary_is_put_right_with_a_tick(client, root):
    weighing = WeighingFactory()
    sent = typed(client, weighing) | {"mass_kg": "9000", "reason": "read again"}
    assert "confirm that it is right" in client.post(address(weighing), sent).content.decode()
    assert client.post(address(weighing), sent | {"confirmed": "on"}).status_code == 302
    assert Weighing.objects.counting().get().mass_kg == 9000.0


def own_measures(client, unit, form, **sent) -> str:
    """Sends the page of a new one; what it answers, empty when it was saved."""
    row = {"unit": unit.pk, "packed_form": form.pk, "reason": "weighed again", "valid_from": TODAY} | sent
    answer = client.post(reverse("admin:fleet_unitform_add"), row)
    return "" if answer.status_code == 302 else answer.content.decode()


def hidden(page: str) -> str:
    return re.search(r'name="shown" value="([^"]*)"', page).group(1)


def test_what_differs_on_a_unit_is_added_against_what_is_on_file(client, root):
    """Whichever day the one on file begins, it is shown first; the second save is against it."""
    unit = UnitFactory()
    form = PackedFormFactory(design=unit.design, mass_kg=1800.0)
    assert own_measures(client, unit, form, mass_kg=1810, valid_from=TODAY - 20 * DAY) == ""
    page = own_measures(client, unit, form, mass_kg=1830)
    assert "while you had it open" in page
    assert "1810.0 there now, 1830.0 typed" in page
    assert UnitForm.objects.count() == 1
    assert own_measures(client, unit, form, mass_kg=1830, shown=hidden(page)) == ""
    first, second = UnitForm.objects.order_by("valid_from")
    assert (first.valid_to, second.mass_kg, second.valid_to) == (TODAY - DAY, 1830.0, None)
    other = PackedFormFactory(mass_kg=1800.0)
    assert "no packed form of the design" in own_measures(client, unit, other, mass_kg=1830)
    assert "has not come yet" in own_measures(
        client, unit, form, mass_kg=1830, valid_from=TODAY + DAY, shown=f"{second.pk}:{second.version}"
    )


def test_what_differs_on_a_unit_is_put_right_against_what_was_shown(client, root):
    unit = UnitFactory()
    form = PackedFormFactory(design=unit.design, mass_kg=1800.0)
    assert own_measures(client, unit, form, mass_kg=1810, valid_from=TODAY - 20 * DAY) == ""
    first = UnitForm.objects.get()
    UnitForm.objects.update(valid_to=TODAY - 10 * DAY)
    first.refresh_from_db()
    opened = typed(client, first)
    later = UnitForm.objects.create(
        unit=unit, packed_form=form, mass_kg=1850.0, reason="tank", valid_from=TODAY - 5 * DAY
    )
    page = client.post(address(first), opened | {"mass_kg": 1815}).content.decode()
    assert "while you had it open" in page
    again = opened | {"mass_kg": 1815, "shown": hidden(page)}
    assert "for the same days" in client.post(address(first), again | {"valid_to": TODAY}).content.decode()
    assert client.post(address(first), again).status_code == 302
    first.refresh_from_db()
    later.refresh_from_db()
    assert (first.mass_kg, first.valid_to, later.valid_to) == (1815.0, TODAY - 10 * DAY, None)
    assert AuditEntry.objects.get(action="unitform.edit").subject_id == str(first.pk)
