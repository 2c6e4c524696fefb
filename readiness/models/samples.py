"""Readings from machines: the samples of battery monitors, the days made of them, who sends them and what was refused."""

from __future__ import annotations

from django.conf import settings
from django.core.validators import MaxValueValidator, MinValueValidator
from django.db import models
from django.db.models import Q
from django.utils import timezone
from django.utils.translation import gettext_lazy as _

from fleet.models import ApiToken, BatteryBank, Versioned

EXPECTED_MIN = 1440
EXPECTED_MIN_MOST = 10_080


class BankLogger(Versioned):
    """The machine that watches a bank, made when its first sample comes. At most one a bank.

    `last_at`, `last_temp_at` are those of the samples that count; `seen_at` is when anything about the bank last came in.
    """

    bank = models.OneToOneField(BatteryBank, on_delete=models.PROTECT, related_name="logger")
    label = models.CharField(_("name of the logger"), max_length=80, blank=True)
    expected_min = models.PositiveIntegerField(
        _("a new value comes every"),
        default=EXPECTED_MIN,
        validators=[MinValueValidator(1), MaxValueValidator(EXPECTED_MIN_MOST)],
        help_text=_("Minutes. A logger that sends once a day: 1440."),
    )
    off_at = models.DateTimeField(_("taken off at"), null=True, blank=True)
    last_at = models.DateTimeField(null=True, blank=True, editable=False)
    last_temp_at = models.DateTimeField(null=True, blank=True, editable=False)
    seen_at = models.DateTimeField(null=True, blank=True, editable=False)
    kept = models.PositiveIntegerField(default=0, editable=False)
    known = models.PositiveIntegerField(default=0, editable=False)
    conflicts = models.PositiveIntegerField(default=0, editable=False)
    refused = models.PositiveIntegerField(default=0, editable=False)

    class Meta:
        ordering = ["bank"]
        constraints = [
            models.CheckConstraint(
                condition=Q(expected_min__gte=1, expected_min__lte=EXPECTED_MIN_MOST),
                name="bank_logger_expected_in_range",
                violation_error_message=_("Between one minute and one week (10,080 minutes)."),
            )
        ]

    def __str__(self) -> str:
        return self.label or str(self.bank)


class LoggerKey(models.Model):
    """A key made for machines; with a bank it may write about that bank alone."""

    token = models.OneToOneField(
        ApiToken, on_delete=models.CASCADE, primary_key=True, related_name="logger_key"
    )
    bank = models.ForeignKey(
        BatteryBank, on_delete=models.CASCADE, null=True, blank=True, related_name="logger_keys"
    )

    def __str__(self) -> str:
        return str(self.token)


class SamplePost(models.Model):
    """One arrival of samples, and what became of its rows. Taken back, its rows stay on file and no longer count."""

    class How(models.TextChoices):
        API = "api", _("sent by a machine")
        COMMAND = "command", _("read by the command")
        PAGE = "page", _("brought in by hand")

    received_at = models.DateTimeField(default=timezone.now, db_index=True)
    received_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    key = models.ForeignKey(ApiToken, on_delete=models.SET_NULL, null=True, blank=True, related_name="+")
    how = models.CharField(max_length=8, choices=How)
    name = models.CharField(max_length=200, blank=True)
    rows = models.PositiveIntegerField(default=0)
    kept = models.PositiveIntegerField(default=0)
    known = models.PositiveIntegerField(default=0)
    conflicts = models.PositiveIntegerField(default=0)
    refused = models.PositiveIntegerField(default=0)
    faults = models.JSONField(default=list, blank=True)
    taken_back_at = models.DateTimeField(null=True, blank=True)
    taken_back_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    taken_back_reason = models.CharField(max_length=400, blank=True)

    class Meta:
        ordering = ["-received_at", "-id"]
        constraints = [
            models.CheckConstraint(
                condition=Q(taken_back_at__isnull=True) | ~Q(taken_back_reason=""),
                name="sample_post_taken_back_reason",
                violation_error_message=_("Say why the rows are taken back."),
            )
        ]

    def __str__(self) -> str:
        return self.name or f"{self.received_at:%Y-%m-%d %H:%M}"


class Sample(models.Model):
    """What a battery monitor showed at one instant: lean, because there are thousands a bank.

    `current_a` and `counted_ah` are positive into the bank, negative out of it.
    """

    bank = models.ForeignKey(BatteryBank, on_delete=models.PROTECT, related_name="samples", db_index=False)
    at = models.DateTimeField()
    volts_v = models.FloatField(null=True, blank=True)
    current_a = models.FloatField(null=True, blank=True)
    temp_c = models.FloatField(null=True, blank=True)
    soc = models.FloatField(null=True, blank=True)
    counted_ah = models.FloatField(null=True, blank=True)
    post = models.ForeignKey(SamplePost, on_delete=models.PROTECT, related_name="samples")
    struck = models.BooleanField(default=False)

    class Meta:
        ordering = ["bank", "at"]
        constraints = [
            models.UniqueConstraint(fields=["bank", "at"], condition=Q(struck=False), name="sample_once"),
            models.CheckConstraint(
                condition=Q(volts_v__isnull=False)
                | Q(current_a__isnull=False)
                | Q(temp_c__isnull=False)
                | Q(soc__isnull=False)
                | Q(counted_ah__isnull=False),
                name="sample_has_a_value",
            ),
            models.CheckConstraint(
                condition=Q(soc__isnull=True) | Q(soc__gte=0, soc__lte=1), name="sample_soc_in_range"
            ),
            models.CheckConstraint(
                condition=Q(temp_c__isnull=True) | Q(temp_c__gte=-40, temp_c__lte=70),
                name="sample_temp_plausible",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.bank} {self.at:%Y-%m-%d %H:%M:%S}"


class SampleDay(models.Model):
    """What the samples of one bank on one day (UTC) come to: worked out from them alone, and again whenever one comes.

    `quarters` of the day in which a temperature came. `rest_*`: the rested voltage of the day, if any, at the last rested
    sample; `counter_*`: what the charge counter last showed while current had passed; `synced_at`: when it last showed full.
    """

    bank = models.ForeignKey(
        BatteryBank, on_delete=models.CASCADE, related_name="sample_days", db_index=False
    )
    day = models.DateField()
    samples = models.PositiveIntegerField()
    last_at = models.DateTimeField()
    temps = models.PositiveIntegerField(default=0)
    quarters = models.PositiveSmallIntegerField(default=0)
    last_temp_at = models.DateTimeField(null=True)
    mean_c = models.FloatField(null=True)
    low_c = models.FloatField(null=True)
    high_c = models.FloatField(null=True)
    rest_at = models.DateTimeField(null=True)
    rest_v = models.FloatField(null=True)
    rest_c = models.FloatField(null=True)
    rest_h = models.FloatField(null=True)
    counter_at = models.DateTimeField(null=True)
    counter_soc = models.FloatField(null=True)
    synced_at = models.DateTimeField(null=True)

    class Meta:
        ordering = ["bank", "-day"]
        constraints = [
            models.UniqueConstraint(fields=["bank", "day"], name="sample_day_once"),
            models.CheckConstraint(condition=Q(samples__gt=0), name="sample_day_has_samples"),
        ]

    def __str__(self) -> str:
        return f"{self.bank} {self.day}"
