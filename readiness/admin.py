"""Upkeep, verdicts, alerts and dispatch in the admin site: records are put right by the services, results only looked at."""

from typing import Any

from django.contrib import admin
from django.http import HttpRequest

from fleet.web.admin_kinds import EditedAdmin, ReadOnlyAdmin, RecordAdmin
from readiness.models import (
    Alert,
    BankCharger,
    BankLogger,
    BankState,
    BankTest,
    BayCalendar,
    BayPlan,
    BayPlanLine,
    BayTerms,
    Call,
    Charge,
    ChargerBay,
    ChargingRoom,
    ChemistryLearning,
    CrewDay,
    CrewHours,
    Fault,
    Inspection,
    InspectionType,
    JudgementDue,
    LoggerKey,
    Packet,
    Plan,
    PlanLine,
    Reading,
    Release,
    Sample,
    SampleDay,
    SamplePost,
    SetAside,
    StoragePolicy,
    SupplyHours,
    Sweep,
    Task,
    Verdict,
)
from readiness.services.bay_checks import check_setting


@admin.register(Reading)
class ReadingAdmin(RecordAdmin):
    list_display = ("bank", "kind", "volts_v", "gravity_sg", "meter_soc", "temp_c", "rest_h")
    list_filter = ("kind",)
    list_select_related = ("bank", "recorded_by")
    search_fields = ("bank__serial",)


@admin.register(Charge)
class ChargeAdmin(RecordAdmin):
    list_display = ("bank", "purpose", "ended_at", "end_sign", "ah_in", "bay", "tripped")
    list_filter = ("purpose", "end_sign", "tripped")
    list_select_related = ("bank", "recorded_by")
    search_fields = ("bank__serial",)


@admin.register(BankTest)
class BankTestAdmin(RecordAdmin):
    list_display = ("bank", "kind", "capacity_ah", "worst_ratio", "temp_c")
    list_filter = ("kind",)
    list_select_related = ("bank", "recorded_by")
    search_fields = ("bank__serial",)


@admin.register(Inspection)
class InspectionAdmin(RecordAdmin):
    list_display = ("unit", "type", "passed", "note")
    list_filter = ("passed", "type")
    list_select_related = ("unit", "type", "recorded_by")
    search_fields = ("unit__tag",)


@admin.register(Fault)
class FaultAdmin(RecordAdmin):
    list_display = ("unit", "description", "severity", "mend_h", "closed_at")
    list_filter = ("severity",)
    list_select_related = ("unit", "recorded_by")
    search_fields = ("unit__tag", "description")


@admin.register(InspectionType)
class InspectionTypeAdmin(EditedAdmin):
    list_display = ("code", "name", "interval_days", "grounds_unit", "work_h", "by_whom", "source")
    list_filter = ("grounds_unit", "by_whom")
    search_fields = ("code", "name")


@admin.register(Verdict)
class VerdictAdmin(ReadOnlyAdmin):
    list_display = (
        "unit",
        "outcome",
        "from_day",
        "last_confirmed_day",
        "turns_on",
        "time_to_ready_h",
        "current",
    )
    list_filter = ("outcome", "current")
    list_select_related = ("unit",)
    search_fields = ("unit__tag",)


@admin.register(Alert)
class AlertAdmin(ReadOnlyAdmin):
    list_display = (
        "rule",
        "about_unit",
        "depot",
        "due_on",
        "too_late_on",
        "taken_by",
        "raised_at",
        "cleared_at",
    )
    list_filter = ("rule", "depot", "owner_role")
    list_select_related = ("about_unit", "depot", "taken_by")
    search_fields = ("about_unit__tag",)


@admin.register(BankState)
class BankStateAdmin(ReadOnlyAdmin):
    list_display = ("bank", "as_of", "status", "low_soc", "soc", "high_soc", "due_day", "due_by")
    list_filter = ("status",)
    list_select_related = ("bank",)
    search_fields = ("bank__serial",)


@admin.register(ChemistryLearning)
class ChemistryLearningAdmin(ReadOnlyAdmin):
    list_display = ("chemistry", "as_of", "peers", "peer_log_rate", "peer_spread")


@admin.register(BankCharger)
class BankChargerAdmin(EditedAdmin):
    list_display = ("bank", "charger_v", "absorb_v_cell", "source")
    list_select_related = ("bank",)
    search_fields = ("bank__serial",)
    autocomplete_fields = ("bank",)


@admin.register(ChargingRoom)
class ChargingRoomAdmin(EditedAdmin):
    list_display = ("place", "inlet_cm2", "outlet_cm2", "fan_m3_h", "circuit_v", "breaker_a")
    list_select_related = ("place",)


@admin.register(Sweep)
class SweepAdmin(ReadOnlyAdmin):
    list_display = (
        "depot",
        "as_of",
        "cause",
        "state",
        "units_done",
        "units_changed",
        "units_set_aside",
        "finished_at",
    )
    list_filter = ("cause", "state", "depot")
    list_select_related = ("depot",)


@admin.register(SetAside)
class SetAsideAdmin(ReadOnlyAdmin):
    list_display = ("unit", "sweep", "reason", "at", "cleared_at")
    list_select_related = ("unit", "sweep__depot")


@admin.register(JudgementDue)
class JudgementDueAdmin(ReadOnlyAdmin):
    list_display = ("unit", "since")
    list_select_related = ("unit",)
    search_fields = ("unit__tag",)


@admin.register(Task)
class TaskAdmin(ReadOnlyAdmin):
    list_display = ("unit", "title", "state", "due_on", "work_h", "taken_by")
    list_filter = ("state",)
    list_select_related = ("unit", "taken_by")
    search_fields = ("unit__tag", "title")


class SettingAdmin(EditedAdmin):
    """How a depot charges: by the rules of its pages."""

    def save_by_service(self, request: HttpRequest, form: Any, change: bool) -> Any:
        check_setting(form.instance)
        return super().save_by_service(request, form, change)


@admin.register(ChargerBay)
class ChargerBayAdmin(SettingAdmin):
    list_display = ("place", "name", "max_a", "max_v", "max_kw", "valid_from", "valid_to")
    list_filter = ("place",)
    list_select_related = ("place",)


@admin.register(BayTerms, CrewHours, CrewDay, SupplyHours, StoragePolicy)
class BayDataAdmin(SettingAdmin):
    list_display = ("__str__",)
    list_filter = ("place",)
    list_select_related = ("place",)


@admin.register(BankLogger)
class BankLoggerAdmin(ReadOnlyAdmin):
    list_display = ("bank", "label", "expected_min", "last_at", "last_temp_at", "kept", "refused", "off_at")
    list_select_related = ("bank",)
    search_fields = ("bank__serial", "label")


@admin.register(LoggerKey)
class LoggerKeyAdmin(ReadOnlyAdmin):
    list_display = ("token", "bank")
    list_select_related = ("token", "bank")


@admin.register(SamplePost)
class SamplePostAdmin(ReadOnlyAdmin):
    list_display = (
        "received_at",
        "how",
        "name",
        "rows",
        "kept",
        "known",
        "conflicts",
        "refused",
        "taken_back_at",
    )
    list_filter = ("how",)


@admin.register(Sample)
class SampleAdmin(ReadOnlyAdmin):
    list_display = ("bank", "at", "volts_v", "current_a", "temp_c", "soc", "counted_ah", "struck")
    list_select_related = ("bank", "post")
    search_fields = ("bank__serial",)


@admin.register(SampleDay)
class SampleDayAdmin(ReadOnlyAdmin):
    list_display = (
        "bank",
        "day",
        "samples",
        "quarters",
        "mean_c",
        "low_c",
        "high_c",
        "rest_v",
        "counter_soc",
    )
    list_select_related = ("bank",)
    search_fields = ("bank__serial",)


@admin.register(Call, Plan, PlanLine, BayCalendar, BayPlan, BayPlanLine, Release, Packet)
class DispatchAdmin(ReadOnlyAdmin):
    list_display = ("__str__",)

    def get_list_select_related(self, request: HttpRequest) -> Any:
        return [field.name for field in self.model._meta.fields if field.is_relation]
