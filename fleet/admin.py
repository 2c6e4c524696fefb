"""The fleet in the admin site. What the tool keeps is read-only; everything written passes through the services."""

from typing import Any

from django import forms
from django.contrib import admin
from django.contrib.auth.admin import UserAdmin
from django.db import models
from django.http import HttpRequest
from django.utils.translation import gettext_lazy as _

from fleet.models import (
    Absence,
    ApiToken,
    Attachment,
    AuditEntry,
    BankStay,
    BankTransport,
    BatteryBank,
    BatteryBlock,
    BlockStay,
    Certificate,
    CertificateRule,
    ClimateNormal,
    DayLog,
    Deployment,
    DepotTerms,
    Design,
    ImportRun,
    Job,
    Leg,
    Membership,
    Modification,
    Offer,
    PackedForm,
    Place,
    RuleEdition,
    SupplyState,
    TemperatureLog,
    TransportTerms,
    Unit,
    UnitForm,
    UnitStay,
    User,
    Weighing,
    WetState,
)
from fleet.services.measures import check_packed_form, measured
from fleet.services.unit_forms import Shown, form_latest, form_shown, unit_form_correct, unit_form_write
from fleet.services.units import unit_add
from fleet.services.versions import Conflict
from fleet.web.admin_kinds import (
    EditedAdmin,
    EditedForm,
    KeptAdmin,
    ReadOnlyAdmin,
    RecordAdmin,
    RecordForm,
    actor_of,
    audit_formset,
)


class MembershipInline(admin.TabularInline):
    model = Membership
    extra = 0


@admin.register(User)
class PersonAdmin(KeptAdmin, UserAdmin):
    """People are switched off ('active'), never deleted: the audit names them."""

    list_display = ("username", "first_name", "last_name", "is_active", "is_staff", "last_login")
    fieldsets = (
        *(UserAdmin.fieldsets or ()),
        (_("How things are shown"), {"fields": ("unit_system", "theme")}),
    )
    inlines = [MembershipInline]

    def save_formset(self, request: HttpRequest, form: Any, formset: Any, change: bool) -> None:
        audit_formset(formset, actor_of(request), subject=form.instance)


@admin.register(Place)
class PlaceAdmin(EditedAdmin):
    list_display = ("code", "name", "kind", "country", "time_zone", "closed_on")
    list_filter = ("kind", "country")
    search_fields = ("code", "name")


@admin.register(DepotTerms)
class DepotTermsAdmin(EditedAdmin):
    list_display = ("place", "valid_from", "valid_to", "notice_h", "mission_days", "charger_bays")
    list_filter = ("place",)
    list_select_related = ("place",)


@admin.register(ClimateNormal)
class ClimateNormalAdmin(EditedAdmin):
    list_display = ("place", "month", "mean_c", "record_low_c", "record_high_c", "source")
    list_filter = ("place",)
    list_select_related = ("place",)


@admin.register(Design)
class DesignAdmin(EditedAdmin):
    list_display = ("code", "name", "maker", "water_m3_day", "solar_kwp", "inverter_kw")
    search_fields = ("code", "name")


class MeasuredForm(EditedForm):
    confirmed = forms.BooleanField(
        label=_("What is out of the ordinary was measured twice"), required=False, initial=False
    )


class MeasuredAdmin(EditedAdmin):
    """Rows with measures: what cannot be is refused, what is out of the ordinary is asked about."""

    form = MeasuredForm

    def get_fields(self, request: HttpRequest, obj: Any = None) -> Any:
        return [*super().get_fields(request, obj), "confirmed"]

    def check_measures(self, row: Any, changed: set[str] | None, *, confirmed: bool) -> None:
        raise NotImplementedError

    def save_by_service(self, request: HttpRequest, form: Any, change: bool) -> models.Model:
        changed = set(form.changes()) if change else None
        self.check_measures(form.instance, changed, confirmed=form.cleaned_data["confirmed"])
        return super().save_by_service(request, form, change)


@admin.register(PackedForm)
class PackedFormAdmin(MeasuredAdmin):
    list_display = ("design", "code", "kind", "length_mm", "width_mm", "height_mm", "mass_kg")
    list_filter = ("design", "kind")
    list_select_related = ("design",)

    def check_measures(self, row: Any, changed: set[str] | None, *, confirmed: bool) -> None:
        check_packed_form(row, changed=changed, confirmed=confirmed)


@admin.register(CertificateRule)
class CertificateRuleAdmin(EditedAdmin):
    list_display = ("design", "kind", "gate", "renew_h", "lead_days", "valid_from", "valid_to")
    list_filter = ("design", "gate")
    list_select_related = ("design",)


@admin.register(Unit)
class UnitAdmin(EditedAdmin):
    """A new unit stands in its home depot from the moment it is added; it is moved on the pages."""

    list_display = ("tag", "design", "home", "serial", "commissioned_on", "retired_on")
    list_filter = ("design", "home")
    list_select_related = ("design", "home")
    search_fields = ("tag", "serial")

    def add_row(self, request: HttpRequest, form: Any) -> models.Model:
        return unit_add(unit=form.instance, actor=actor_of(request))


@admin.register(BatteryBank)
class BankAdmin(EditedAdmin):
    list_display = (
        "serial",
        "chemistry",
        "capacity_ah",
        "cells_in_series",
        "strings",
        "made_on",
        "retired_on",
    )
    list_filter = ("chemistry",)
    search_fields = ("serial",)


@admin.register(BatteryBlock)
class BlockAdmin(EditedAdmin):
    list_display = ("serial", "chemistry", "made_on", "baseline_mohm", "retired_on")
    list_filter = ("chemistry",)
    search_fields = ("serial",)


@admin.register(Offer)
class OfferAdmin(EditedAdmin):
    list_display = ("code", "conveyance", "place", "available_from", "available_to", "count", "withdrawn_at")
    list_filter = ("place",)
    list_select_related = ("place",)


@admin.register(Certificate)
class CertificateAdmin(RecordAdmin):
    list_display = ("unit", "kind", "number", "issued_on", "expires_on")
    list_filter = ("kind",)
    list_select_related = ("unit", "recorded_by")
    search_fields = ("unit__tag", "number")


@admin.register(Modification)
class ModificationAdmin(RecordAdmin):
    list_display = ("unit", "kind", "description", "touches")
    list_filter = ("kind",)
    list_select_related = ("unit", "recorded_by")
    search_fields = ("unit__tag",)


class WeighingForm(RecordForm):
    confirmed = forms.BooleanField(label=_("A mass out of the ordinary is right"), required=False)


@admin.register(Weighing)
class WeighingAdmin(RecordAdmin):
    form = WeighingForm
    list_display = ("unit", "packed_form", "mass_kg")
    list_select_related = ("unit", "packed_form__design", "recorded_by")
    search_fields = ("unit__tag",)

    def get_fields(self, request: HttpRequest, obj: Any = None) -> Any:
        names = super().get_fields(request, obj)
        return [*names, "confirmed"] if obj is None or obj.counts else names


@admin.register(WetState)
class WetStateAdmin(RecordAdmin):
    list_display = ("unit", "kind", "good_until")
    list_filter = ("kind",)
    list_select_related = ("unit", "recorded_by")
    search_fields = ("unit__tag",)


@admin.register(SupplyState)
class SupplyStateAdmin(RecordAdmin):
    list_display = ("bank", "kind", "check_interval_days")
    list_filter = ("kind",)
    list_select_related = ("bank", "recorded_by")
    search_fields = ("bank__serial",)


@admin.register(DayLog)
class DayLogAdmin(RecordAdmin):
    list_display = ("deployment", "day", "hours_a_h", "hours_b_h", "volume_a_m3", "volume_b_m3")
    list_select_related = ("deployment", "recorded_by")
    search_fields = ("deployment__code", "deployment__unit__tag")


@admin.register(UnitStay, BankStay, BlockStay)
class StayAdmin(ReadOnlyAdmin):
    list_display = ("__str__", "started_at", "ended_at")

    def get_list_select_related(self, request: HttpRequest) -> Any:
        return [field.name for field in self.model._meta.fields if field.is_relation]


@admin.register(Absence)
class AbsenceAdmin(ReadOnlyAdmin):
    list_display = ("unit", "purpose", "custodian", "started_at", "due_back_on", "ended_at")
    list_filter = ("purpose",)
    list_select_related = ("unit",)


@admin.register(Deployment)
class DeploymentAdmin(ReadOnlyAdmin):
    list_display = ("code", "unit", "exercise", "site", "started_on", "ended_on")
    list_filter = ("exercise",)
    list_select_related = ("unit", "site")
    search_fields = ("code", "unit__tag")


@admin.register(Leg)
class LegAdmin(ReadOnlyAdmin):
    list_display = (
        "deployment",
        "sequence",
        "conveyance",
        "origin",
        "destination",
        "departed_at",
        "arrived_at",
    )
    list_select_related = ("deployment", "origin", "destination")


@admin.register(AuditEntry)
class AuditEntryAdmin(ReadOnlyAdmin):
    list_display = ("at", "actor", "action", "subject_label", "unit", "place", "note")
    list_select_related = ("actor", "unit", "place")
    list_filter = ("action", "at")
    search_fields = ("subject_label", "subject_id", "unit__tag")


@admin.register(Job)
class JobAdmin(ReadOnlyAdmin):
    list_display = ("kind", "state", "place", "created_at", "started_at", "finished_at", "attempt", "error")
    list_filter = ("kind", "state")
    list_select_related = ("place",)


@admin.register(ImportRun)
class ImportRunAdmin(ReadOnlyAdmin):
    list_display = ("file", "state", "place", "created_by", "created_at", "applied_at", "undone_at")
    list_filter = ("state",)
    list_select_related = ("file", "place", "created_by")


@admin.register(Attachment)
class AttachmentAdmin(ReadOnlyAdmin):
    list_display = ("name", "title", "unit", "place", "content_type", "size_bytes", "added_by", "added_at")
    list_select_related = ("unit", "place", "added_by")
    search_fields = ("name", "title", "unit__tag")
    exclude = ("file",)


@admin.register(ApiToken)
class ApiTokenAdmin(ReadOnlyAdmin):
    list_display = ("name", "user", "scope", "created_at", "last_used_at", "expires_on", "revoked_at")
    list_select_related = ("user",)


@admin.register(TemperatureLog)
class TemperatureLogAdmin(ReadOnlyAdmin):
    list_display = ("place", "unit", "day", "mean_c", "recorded_at")
    list_filter = ("place",)
    list_select_related = ("place", "unit")


class UnitFormForm(MeasuredForm):
    """Remembers what was on file last when it was shown; after a clash, what is there now and is said above it."""

    shown = forms.CharField(widget=forms.HiddenInput, required=False)

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        if self.instance.pk:
            self.initial["shown"] = self.mark(form_latest(self.instance.unit, self.instance.packed_form))

    @staticmethod
    def mark(latest: UnitForm | None) -> str:
        return "{}:{}".format(*form_shown(latest))

    def seen(self) -> Shown:
        pk, _colon, version = self.cleaned_data.get("shown", "").partition(":")
        return (int(pk), int(version)) if pk.isdecimal() and version.isdecimal() else (0, 0)

    def clash(self, latest: UnitForm) -> None:
        data: Any = self.data
        self.data = data.copy()
        self.data[self.add_prefix("shown")] = self.mark(latest)  # type: ignore[index]


@admin.register(UnitForm)
class UnitFormAdmin(EditedAdmin):
    """Written and put right as on the pages of the unit: against what was shown, whichever day something else begins."""

    form = UnitFormForm
    list_display = ("unit", "packed_form", "valid_from", "valid_to", "reason")
    list_select_related = ("unit", "packed_form__design")
    search_fields = ("unit__tag",)

    def get_fields(self, request: HttpRequest, obj: Any = None) -> Any:
        """What is new holds until something else is written; whose it is, is not changed."""
        left_out = {"unit", "packed_form"} if obj else {"valid_to"}
        names = [name for name in super().get_fields(request, obj) if name not in left_out]
        return [*names, "confirmed", "shown"]

    def save_by_service(self, request: HttpRequest, form: Any, change: bool) -> models.Model:
        row, data, actor = form.instance, form.cleaned_data, actor_of(request)
        try:
            if change:
                return unit_form_correct(
                    own=row,
                    seen_version=data.get("seen_version") or 0,
                    changes=form.changes(),
                    actor=actor,
                    shown=form.seen(),
                    confirmed=data["confirmed"],
                )
            return unit_form_write(
                unit=row.unit,
                packed_form=row.packed_form,
                measures=measured(row),
                reason=row.reason,
                valid_from=row.valid_from,
                actor=actor,
                shown=form.seen(),
                confirmed=data["confirmed"],
            )
        except Conflict as error:
            if isinstance(error.theirs, UnitForm) and error.theirs.pk != row.pk:
                form.clash(error.theirs)
            raise


@admin.register(BankTransport)
class BankTransportAdmin(EditedAdmin):
    list_display = ("bank", "config", "host", "net_mass_kg", "source")
    list_select_related = ("bank",)
    search_fields = ("bank__serial",)


@admin.register(TransportTerms)
class TransportTermsAdmin(EditedAdmin):
    list_display = ("valid_from", "valid_to", "list_days", "terminals_days", "soc_hours", "source")


@admin.register(RuleEdition)
class RuleEditionAdmin(ReadOnlyAdmin):
    """Loaded, released and withdrawn by their services only."""

    list_display = ("name", "state", "loaded_at", "loaded_by", "released_at", "released_by")
    list_select_related = ("loaded_by", "released_by")
