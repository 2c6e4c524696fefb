"""The board of a depot's bays: what to do now, the draft and its publishing, the drawing, files, calendar."""

import datetime as dt
import io
from zoneinfo import ZoneInfo

import pytest
import time_machine
from django.urls import reverse
from icalendar import Calendar
from openpyxl import load_workbook

from fleet.models import Job, Place
from fleet.services import jobs
from readiness.models import BayCalendar, BayPlan, Charge
from readiness.services import bay_plans
from readiness.services.bay_plans import bay_plan_compute
from readiness.services.bay_publish import bay_plan_publish
from tests.factories.bay_depot import charged_bank, equip
from tests.factories.fleet import NOW, BankFactory, UnitFactory
from tests.factories.readiness import ChargerBayFactory

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def no_worker(monkeypatch):
    monkeypatch.setattr(jobs, "announce", lambda job_id: None)
    monkeypatch.setattr(bay_plans, "AT_ONCE_S", 0.1)
    monkeypatch.setattr(bay_plans, "PROOF_S", 5.0)


@pytest.fixture
def depot(cast):
    cast.north.terms.update(reading_max_age_days=720)
    equip(cast.north)
    for days in (98, 96, 94):
        charged_bank(cast.north, days, maker_interval_days=100, floor_soc=0.2)
    return cast.north


@pytest.fixture
def nora(cast, signed_in):
    return signed_in(cast.nora)


def url(name: str, depot: Place, *args: object) -> str:
    return reverse(f"readiness:{name}", args=[depot.code, *args])


def published(depot, person):
    return bay_plan_publish(plan=bay_plan_compute(place=depot, actor=person), actor=person)


def words(response) -> str:
    return " ".join(response.content.decode().split())


class TestEmpty:
    def test_without_bays_it_leads_to_their_page(self, cast, nora):
        page = words(nora.get(url("charging-board", cast.north)))
        assert "No bay is on file" in page
        assert reverse("readiness:charging-settings", args=["NORTH"]) in page
        assert "Make a plan" not in page

    def test_without_hours_the_button_says_what_is_missing(self, cast, nora):
        ChargerBayFactory(place=cast.north)
        page = words(nora.post(url("bay-plan-compute", cast.north), follow=True))
        assert "No terms of charging are on file for North depot" in page
        assert "No hours are on file in which the crew is at North depot" in page
        assert not BayPlan.objects.exists()

    def test_before_the_first_plan(self, depot, nora):
        page = words(nora.get(url("charging-board", depot)))
        assert "No plan is published" in page
        assert "Make a plan" in page
        assert "No plan was ever made here" in words(nora.get(url("bay-plan-list", depot)))

    def test_whoever_keeps_another_depot_sees_and_cannot_plan(self, cast, depot, signed_in):
        silas = signed_in(cast.silas)
        assert "Make a plan" not in words(silas.get(url("charging-board", depot)))
        assert silas.post(url("bay-plan-compute", depot)).status_code == 403

    def test_the_navigation_leads_to_the_depot_in_view(self, depot, nora):
        response = nora.get(reverse("readiness:charging-choose"))
        assert response.url == url("charging-board", depot)


class TestDraft:
    def test_made_looked_at_and_published(self, depot, nora):
        response = nora.post(url("bay-plan-compute", depot), follow=True)
        plan = BayPlan.objects.get()
        assert response.redirect_chain[-1][0] == url("bay-plan-show", depot, plan.pk)
        page = words(response)
        assert "Nobody works by this draft yet" in page
        assert "Looking for the best plan and its proof" in page
        for line in plan.lines.select_related("bank"):
            assert line.bank.serial in page
        assert "Look at the draft" in words(nora.get(url("charging-board", depot)))
        done = words(nora.post(url("bay-plan-publish", depot, plan.pk), follow=True))
        assert "The plan is published" in done
        assert BayPlan.objects.get().state == BayPlan.State.PUBLISHED

    def test_the_region_of_the_proof_asks_again_until_it_is_there(self, depot, nora):
        nora.post(url("bay-plan-compute", depot))
        plan = BayPlan.objects.get()
        asks = words(nora.get(url("bay-plan-progress", depot, plan.pk), headers={"HX-Request": "true"}))
        assert 'hx-trigger="every 2s"' in asks
        jobs.job_run(job_id=plan.job_id, keep_lease=False)
        ended = nora.get(url("bay-plan-progress", depot, plan.pk), headers={"HX-Request": "true"})
        assert (ended.status_code, ended["HX-Refresh"]) == (204, "true")
        assert "Proven best at every level" in words(nora.get(url("bay-plan-show", depot, plan.pk)))

    def test_the_search_is_stopped(self, depot, nora):
        nora.post(url("bay-plan-compute", depot))
        plan = BayPlan.objects.get()
        nora.post(url("bay-plan-stop", depot, plan.pk))
        assert Job.objects.get(pk=plan.job_id).state == Job.State.CANCELLED
        assert BayPlan.objects.get().state == BayPlan.State.DRAFT

    def test_what_has_changed_since_is_named(self, depot, nora):
        nora.post(url("bay-plan-compute", depot))
        plan = BayPlan.objects.get()
        depot.bays.filter(name="B2").update(max_kw=1.0)
        response = nora.post(url("bay-plan-publish", depot, plan.pk))
        assert response.status_code == 409
        assert "<li>bay B2</li>" in words(response)

    def test_a_broken_floor_asks_for_a_signature(self, depot, nora):
        nora.post(url("bay-plan-compute", depot))
        plan = BayPlan.objects.get()
        BayPlan.objects.update(floors_broken=1)
        assert "Sign and publish" in words(nora.get(url("bay-plan-show", depot, plan.pk)))
        refused = nora.post(url("bay-plan-publish", depot, plan.pk), {"accepted_name": "N. Lind"})
        assert refused.status_code == 422
        assert "Sign with your name" in words(refused)
        given = {"accepted_name": "Nora Lind", "accepted_reason": "No bay is free before Friday."}
        nora.post(url("bay-plan-publish", depot, plan.pk), given)
        page = words(nora.get(url("charging-board", depot)))
        assert "was signed for by Nora Lind" in page
        assert "No bay is free before Friday." in page

    def test_against_the_published_plan(self, cast, depot, nora):
        published(depot, cast.nora)
        late = charged_bank(depot, 99, maker_interval_days=100, floor_soc=0.2)
        with time_machine.travel(NOW + dt.timedelta(minutes=1), tick=False):
            page = words(nora.post(url("bay-plan-compute", depot), follow=True))
        assert "Against the published plan" in page
        assert f"{late.serial}</a> new: bay B" in page

    def test_thrown_away(self, depot, nora):
        nora.post(url("bay-plan-compute", depot))
        plan = BayPlan.objects.get()
        assert "Shall this draft be thrown away?" in words(nora.get(url("bay-plan-withdraw", depot, plan.pk)))
        nora.post(url("bay-plan-withdraw", depot, plan.pk))
        assert BayPlan.objects.get().state == BayPlan.State.WITHDRAWN


class TestBoard:
    def test_begun_and_ended_from_the_board(self, cast, depot, nora):
        plan = published(depot, cast.nora)
        line = plan.lines.order_by("starts_at", "pk").first()
        plan.lines.filter(pk=line.pk).update(starts_at=NOW, ends_at=NOW + dt.timedelta(hours=6))
        start, end = url("bay-line-start", depot, line.pk), url("bay-line-stop", depot, line.pk)
        page = words(nora.get(url("charging-board", depot)))
        assert start in page
        assert "No bank is on charge." in page
        form = nora.get(start)
        assert "Set the charger to 30.0 A" in words(form)
        token = form.context["form"].initial["token"]
        for _twice in range(2):
            assert nora.post(start, {"token": token}).status_code == 302
        charge = Charge.objects.get(bank=line.bank, ended_at__isnull=True)
        assert (charge.bay, charge.planned_end_at) == (line.bay.name, NOW + dt.timedelta(hours=6))
        page = words(nora.get(url("charging-board", depot)))
        assert end in page
        assert start not in page
        assert "Switch the charger off before you take the leads away" in words(nora.get(end))
        with time_machine.travel(NOW + dt.timedelta(hours=6), tick=False):
            form = nora.get(end).context["form"]
            given = {
                "token": form.initial["token"],
                "charge": charge.pk,
                "end_sign": "current_steady",
                "ended_at": "2000-01-01T00:00",
            }
            assert nora.post(end, given).status_code == 422  # ends before it begins
            here = (NOW + dt.timedelta(hours=6)).astimezone(ZoneInfo("Europe/Oslo"))
            given["ended_at"] = here.strftime("%Y-%m-%dT%H:%M")
            assert nora.post(end, given).status_code == 302
        charge.refresh_from_db()
        assert charge.end_sign == "current_steady"

    def test_who_cannot_be_planned_and_who_is_in_danger(self, cast, depot, nora):
        nickel = BankFactory(unit=UnitFactory(home=depot), chemistry="nicd_vented", cells_in_series=20)
        low = charged_bank(depot, 90, maker_interval_days=360, floor_soc=0.9)
        published(depot, cast.nora)
        page = words(nora.get(url("charging-board", depot)))
        assert "Cannot be planned" in page
        assert "No bay has a programme for nickel-cadmium, vented." in page
        assert nickel.serial in page
        assert "It has been under its floor of 90 % since" in page
        assert "its plates sulphate" in page
        assert low.serial in page

    def test_the_drawing_is_read_and_walked(self, cast, depot, nora):
        plan = published(depot, cast.nora)
        for span in ("3", "7", "all", "nonsense"):
            page = words(nora.get(url("charging-board", depot), {"span": span}))
            assert 'aria-label="Bay B1: ' in page
        whole = words(nora.get(url("charging-board", depot), {"span": "all"}))
        for line in plan.lines.all():
            assert f'href="#line-{line.pk}"' in whole
            assert f'id="line-{line.pk}"' in whole
        assert "style=" not in page
        assert "the supply allows 11.0 to 11.0 kW" in page

    def test_the_list_as_a_file(self, cast, depot, nora):
        plan = published(depot, cast.nora)
        csv = nora.get(url("charging-board", depot), {"format": "csv"}).content.decode("utf-8-sig")
        head, *rows = csv.splitlines()
        assert head.split(",")[:4] == ["day", "bay", "bank", "unit"]
        assert len(rows) == plan.lines.count()
        book = load_workbook(io.BytesIO(nora.get(url("charging-board", depot), {"format": "xlsx"}).content))
        assert book.active.max_row == plan.lines.count() + 1

    def test_withdrawn_with_a_reason(self, cast, depot, nora):
        plan = published(depot, cast.nora)
        refused = nora.post(url("bay-plan-withdraw", depot, plan.pk))
        assert refused.status_code == 422
        assert "Say why the plan is withdrawn" in words(refused)
        nora.post(url("bay-plan-withdraw", depot, plan.pk), {"reason": "The mains are out."})
        assert "No plan is published" in words(nora.get(url("charging-board", depot)))
        assert "The mains are out." in words(nora.get(url("bay-plan-list", depot)))

    def test_the_number_of_queries_does_not_grow_with_the_banks(self, cast, depot, nora, queries_of):
        published(depot, cast.nora)
        few = queries_of(nora, url("charging-board", depot))
        for days in (97, 95, 93, 91):
            charged_bank(depot, days, maker_interval_days=100, floor_soc=0.2)
        with time_machine.travel(NOW + dt.timedelta(minutes=1), tick=False):
            assert published(depot, cast.nora).lines.count() == 7
            assert queries_of(nora, url("charging-board", depot)) == few


class TestCalendar:
    def feed(self, nora, depot):
        page = nora.post(url("bay-calendar", depot), {"do": "renew"})
        return page.context["address"]

    def test_the_published_plan_as_events(self, cast, depot, nora, client):
        plan = published(depot, cast.nora)
        response = client.get(self.feed(nora, depot))
        assert response["Content-Type"].startswith("text/calendar")
        calendar = Calendar.from_ical(response.content)
        assert (calendar["VERSION"], calendar["CALSCALE"]) == ("2.0", "GREGORIAN")
        events = calendar.walk("VEVENT")
        assert len(events) == 2 * plan.lines.count()
        assert len({str(event["UID"]) for event in events}) == len(events)
        lines = {line.starts_at for line in plan.lines.all()} | {line.off_at for line in plan.lines.all()}
        for event in events:
            assert event.decoded("DTSTART") in lines
            assert event.decoded("DTEND") > event.decoded("DTSTART")
            assert event["DTSTAMP"]
        # RFC 5545 3.1: lines end with CR LF and are no longer than 75 octets.
        raw = response.content.split(b"\r\n")
        assert max(len(line) for line in raw) <= 75

    def test_without_a_plan_it_is_empty_and_not_missing(self, depot, nora, client):
        calendar = Calendar.from_ical(client.get(self.feed(nora, depot)).content)
        assert calendar.walk("VEVENT") == []

    def test_shown_once_renewed_and_closed(self, depot, nora, client):
        first = self.feed(nora, depot)
        assert first.rsplit("/", 1)[1][:-4] not in words(nora.get(url("bay-calendar", depot)))
        second = self.feed(nora, depot)
        assert client.get(first).status_code == 404
        assert client.get(second).status_code == 200
        nora.post(url("bay-calendar", depot), {"do": "end"})
        assert client.get(second).status_code == 404
        assert not BayCalendar.objects.exists()
