"""What the sweep works out: bank states, verdicts, alerts, and what it had to set aside."""

from __future__ import annotations

from django.conf import settings
from django.db import models
from django.db.models import Q
from django.utils import timezone
from django.utils.translation import gettext_lazy as _

from fleet.models import BatteryBank, Certificate, Place, Unit
from fleet.models.banks import Chemistry
from fleet.models.base import span_in_order
from fleet.models.office import Job, Role
from inventory.models import Item, Lot


class Outcome(models.TextChoices):
    READY = "ready", _("ready")
    AFTER_WORK = "after_work", _("after work")
    BLOCKED = "blocked", _("blocked")
    CANNOT_DECIDE = "cannot_decide", _("cannot decide")


class Sweep(models.Model):
    """One pass over the units of a depot (depot empty: one unit or a hand-picked set) as of a day."""

    class Cause(models.TextChoices):
        NIGHTLY = "nightly", _("nightly")
        ASKED = "asked", _("asked for")
        CHANGE = "change", _("after a change")

    class State(models.TextChoices):
        RUNNING = "running", _("running")
        DONE = "done", _("done")
        CANCELLED = "cancelled", _("cancelled")

    depot = models.ForeignKey(Place, on_delete=models.PROTECT, null=True, blank=True, related_name="sweeps")
    as_of = models.DateField()
    cause = models.CharField(max_length=8, choices=Cause)
    state = models.CharField(max_length=10, choices=State, default=State.RUNNING)
    job = models.ForeignKey(Job, on_delete=models.SET_NULL, null=True, blank=True, related_name="sweeps")
    started_at = models.DateTimeField(default=timezone.now)
    finished_at = models.DateTimeField(null=True, blank=True)
    units_total = models.PositiveIntegerField(default=0)
    units_done = models.PositiveIntegerField(default=0)
    units_changed = models.PositiveIntegerField(default=0)
    units_set_aside = models.PositiveIntegerField(default=0)
    alerts_raised = models.PositiveIntegerField(default=0)
    alerts_cleared = models.PositiveIntegerField(default=0)
    last_unit_id = models.BigIntegerField(_("resumes after this unit"), default=0)

    class Meta:
        ordering = ["-started_at"]
        indexes = [models.Index(fields=["depot", "as_of"])]
        constraints = [
            models.UniqueConstraint(
                fields=["depot", "as_of"], condition=Q(cause="nightly"), name="sweep_one_nightly_per_day"
            )
        ]

    def __str__(self) -> str:
        return f"{self.depot or _('units')} as of {self.as_of}"


class SetAside(models.Model):
    """A unit the sweep could not compute, with the reason; open until a later pass computes it."""

    unit = models.ForeignKey(Unit, on_delete=models.CASCADE, related_name="set_asides")
    sweep = models.ForeignKey(Sweep, on_delete=models.CASCADE, related_name="set_asides")
    reason = models.TextField()
    at = models.DateTimeField(default=timezone.now)
    cleared_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["unit"], condition=Q(cleared_at__isnull=True), name="set_aside_one_open"
            )
        ]

    def __str__(self) -> str:
        return f"{self.unit}: {self.reason[:60]}"


class JudgementDue(models.Model):
    """A unit about which something changed `since`, and that waits to be judged again: its last verdict is not shown.

    A pass takes away the marks that it saw before it read the records, and that have not been set anew since.
    """

    unit = models.OneToOneField(
        Unit, on_delete=models.CASCADE, primary_key=True, related_name="judgement_due"
    )
    since = models.DateTimeField()

    def __str__(self) -> str:
        return f"{self.unit} since {self.since}"


class Verdict(models.Model):
    """One row per unit and period of unchanged result, `from_day` through `last_confirmed_day`.

    `turns_on` is the first day on which the result no longer holds by the passing of dates alone: no verdict is
    used from that day on without a new computation. `result` is JSON with a schema number; sentences are rendered
    when it is read.
    """

    unit = models.ForeignKey(Unit, on_delete=models.CASCADE, related_name="verdicts")
    from_day = models.DateField()
    last_confirmed_day = models.DateField()
    confirmed_at = models.DateTimeField(default=timezone.now)
    outcome = models.CharField(max_length=13, choices=Outcome)
    time_to_ready_h = models.FloatField(null=True, blank=True)
    turns_on = models.DateField(null=True, blank=True)
    digest = models.CharField(max_length=32)
    result_schema = models.PositiveSmallIntegerField(default=1)
    result = models.JSONField(default=dict)
    current = models.BooleanField(default=True)

    class Meta:
        ordering = ["unit", "-from_day", "-id"]
        constraints = [
            models.UniqueConstraint(fields=["unit"], condition=Q(current=True), name="verdict_one_current"),
            span_in_order("verdict_in_order", "from_day", "last_confirmed_day"),
        ]
        indexes = [models.Index(fields=["unit", "from_day"]), models.Index(fields=["outcome"])]

    def __str__(self) -> str:
        return f"{self.unit}: {self.get_outcome_display()} from {self.from_day}"


class BankState(models.Model):
    """The charge state of a bank as last computed. All of it can be computed again from the records."""

    bank = models.OneToOneField(BatteryBank, on_delete=models.CASCADE, related_name="state")
    as_of = models.DateField()
    computed_at = models.DateTimeField(default=timezone.now)
    status = models.CharField(max_length=13)
    reasons = models.JSONField(default=list)
    soc = models.FloatField(null=True)
    sigma = models.FloatField(null=True)
    low_soc = models.FloatField(null=True)
    high_soc = models.FloatField(null=True)
    floor_soc = models.FloatField(null=True)
    floor_day = models.DateField(null=True)
    interval_used = models.FloatField(null=True)
    interval_day = models.DateField(null=True)
    due_day = models.DateField(null=True)
    due_by = models.CharField(max_length=10, blank=True)
    anchor_at = models.DateTimeField(null=True)
    anchor_kind = models.CharField(max_length=20, blank=True)
    last_reading_at = models.DateTimeField(null=True)
    readings_used = models.PositiveSmallIntegerField(default=0)
    # What its records teach (`domain/learning.py`) and give away (`domain/bank_flags.py`); null: nothing taught yet.
    learned_count = models.PositiveIntegerField(default=0, db_default=0)
    own_pct_month = models.FloatField(null=True)
    own_low_pct_month = models.FloatField(null=True)
    own_high_pct_month = models.FloatField(null=True)
    published_pct_month = models.FloatField(null=True)
    peer_ratio = models.FloatField(null=True)
    likelier = models.PositiveSmallIntegerField(default=0, db_default=0)
    flags = models.PositiveIntegerField(default=0, db_default=0)
    test_due_day = models.DateField(null=True)

    def __str__(self) -> str:
        return f"{self.bank} as of {self.as_of}"


class ChemistryLearning(models.Model):
    """What the whole fleet teaches of one chemistry: how readings scatter, and what rate its banks have.

    `scatter` holds, by way of reading (voltage, gravity, meter), what noise and bias are multiplied by and how many readings
    tell so. `peer_log_rate`, `peer_spread`: centre and spread of the logarithm of total over published rate of `peers`.
    Kept until it moves noticeably, so that a quiet fleet stays quiet; all of it can be computed again from the records.
    """

    chemistry = models.CharField(max_length=20, choices=Chemistry, unique=True)
    as_of = models.DateField()
    computed_at = models.DateTimeField(default=timezone.now)
    scatter = models.JSONField(default=dict)
    peers = models.PositiveIntegerField(default=0)
    peer_log_rate = models.FloatField(null=True)
    peer_spread = models.FloatField(null=True)

    def __str__(self) -> str:
        return f"{self.chemistry} as of {self.as_of}"


class Alert(models.Model):
    """One open matter about one subject and one rule; raised once, updated, acknowledged, cleared.

    `subject_key` spells the subject ("unit:12", "lot:5@3", "item:7@3", ...), so that 'at most one open' holds the
    same on every engine although the keys are nullable.
    """

    rule = models.CharField(max_length=40)
    subject_key = models.CharField(max_length=60)
    unit = models.ForeignKey(Unit, on_delete=models.CASCADE, null=True, blank=True, related_name="alerts")
    bank = models.ForeignKey(
        BatteryBank, on_delete=models.CASCADE, null=True, blank=True, related_name="alerts"
    )
    certificate = models.ForeignKey(
        Certificate, on_delete=models.CASCADE, null=True, blank=True, related_name="alerts"
    )
    lot = models.ForeignKey(Lot, on_delete=models.CASCADE, null=True, blank=True, related_name="alerts")
    item = models.ForeignKey(Item, on_delete=models.CASCADE, null=True, blank=True, related_name="alerts")
    place = models.ForeignKey(Place, on_delete=models.CASCADE, null=True, blank=True, related_name="alerts")
    depot = models.ForeignKey(Place, on_delete=models.CASCADE, related_name="alerts_of_depot")
    about_unit = models.ForeignKey(
        Unit, on_delete=models.CASCADE, null=True, blank=True, related_name="alerts_about"
    )
    owner_role = models.CharField(max_length=20, choices=Role, default=Role.DEPOT_MANAGER)
    data = models.JSONField(default=dict)
    cost_of_delay = models.FloatField(_("order by cost of delay"), default=0)
    work_h = models.FloatField(null=True, blank=True)
    due_on = models.DateField(null=True, blank=True)
    too_late_on = models.DateField(null=True, blank=True)
    raised_at = models.DateTimeField(default=timezone.now)
    updated_at = models.DateTimeField(default=timezone.now)
    worsened_at = models.DateTimeField(null=True, blank=True)
    taken_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, blank=True, related_name="alerts_taken"
    )
    taken_at = models.DateTimeField(null=True, blank=True)
    acknowledged_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    acknowledged_at = models.DateTimeField(null=True, blank=True)
    acknowledged_note = models.CharField(max_length=400, blank=True)
    snoozed_until = models.DateField(null=True, blank=True)
    cleared_at = models.DateTimeField(null=True, blank=True)
    cleared_by = models.CharField(_("evidence that cleared it"), max_length=200, blank=True)

    class Meta:
        ordering = ["-cost_of_delay", "due_on", "id"]
        indexes = [models.Index(fields=["depot", "cleared_at", "-cost_of_delay"])]
        constraints = [
            models.UniqueConstraint(
                fields=["rule", "subject_key"], condition=Q(cleared_at__isnull=True), name="alert_one_open"
            ),
            models.CheckConstraint(
                name="alert_one_subject",
                condition=(
                    Q(unit__isnull=False, bank=None, certificate=None, lot=None, item=None, place=None)
                    | Q(unit=None, bank__isnull=False, certificate=None, lot=None, item=None, place=None)
                    | Q(unit=None, bank=None, certificate__isnull=False, lot=None, item=None, place=None)
                    | Q(
                        unit=None,
                        bank=None,
                        certificate=None,
                        lot__isnull=False,
                        item=None,
                        place__isnull=False,
                    )
                    | Q(
                        unit=None,
                        bank=None,
                        certificate=None,
                        lot=None,
                        item__isnull=False,
                        place__isnull=False,
                    )
                    | Q(unit=None, bank=None, certificate=None, lot=None, item=None, place__isnull=False)
                ),
            ),
        ]

    def __str__(self) -> str:
        return f"{self.rule} {self.subject_key}"
