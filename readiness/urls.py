from django.urls import URLPattern, URLResolver, path

from readiness.views import (
    alerts,
    corrections,
    handover,
    horizon,
    records,
    survey,
    sweeps,
    today,
    unit,
    units,
)

app_name = "readiness"

urlpatterns: list[URLPattern | URLResolver] = [
    path("", today.today_show, name="today-show"),
    path("horizon/", horizon.horizon_show, name="horizon-show"),
    path("units/", units.unit_list, name="unit-list"),
    path("units/<str:tag>/", unit.unit_show, name="unit-show"),
    path("units/<str:tag>/edit/", unit.unit_edit, name="unit-edit"),
    path("units/<str:tag>/reading/", records.unit_reading_record, name="unit-reading-record"),
    path("units/<str:tag>/charge/start/", records.unit_charge_start, name="unit-charge-start"),
    path("units/<str:tag>/charge/end/", records.unit_charge_stop, name="unit-charge-stop"),
    path("units/<str:tag>/inspection/", records.unit_inspection_record, name="unit-inspection-record"),
    path("units/<str:tag>/fault/", records.unit_fault_record, name="unit-fault-record"),
    path("units/<str:tag>/fault/close/", records.unit_fault_close, name="unit-fault-close"),
    path("units/<str:tag>/parts/fit/", records.unit_part_fit, name="unit-part-fit"),
    path("units/<str:tag>/parts/remove/", records.unit_part_remove, name="unit-part-remove"),
    path("records/<slug:kind>/<int:pk>/strike/", corrections.record_strike_out, name="record-strike"),
    path("records/<slug:kind>/<int:pk>/move/", corrections.record_move, name="record-move"),
    path("sweeps/", sweeps.sweep_list, name="sweep-list"),
    path("sweeps/start/", sweeps.sweep_start, name="sweep-start"),
    path("sweeps/progress/", sweeps.sweep_progress, name="sweep-progress"),
    path("sweeps/<uuid:pk>/stop/", sweeps.sweep_stop, name="sweep-stop"),
    path("first-weeks/", survey.first_weeks, name="first-weeks"),
    path("first-weeks/sheet/", survey.survey_sheet, name="survey-sheet"),
    path("first-weeks/entry/", survey.survey_entry, name="survey-entry"),
    path("hand-over/", handover.handover_show, name="handover"),
    path("alerts/", alerts.alert_list, name="alert-list"),
    path("alerts/<int:pk>/take/", alerts.alert_take, name="alert-take"),
    path("alerts/<int:pk>/give-back/", alerts.alert_give_back, name="alert-give-back"),
    path("alerts/<int:pk>/acknowledge/", alerts.alert_acknowledge, name="alert-acknowledge"),
    path("alerts/<int:pk>/snooze/", alerts.alert_snooze, name="alert-snooze"),
    path("alerts/<int:pk>/wake/", alerts.alert_wake, name="alert-wake"),
]
