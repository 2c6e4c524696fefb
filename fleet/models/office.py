"""People, their rights, and the records the tool keeps about its own work."""

from __future__ import annotations

import uuid

from django.conf import settings
from django.contrib.auth.models import AbstractUser
from django.db import models
from django.db.models import Q
from django.utils import timezone
from django.utils.translation import gettext_lazy as _


class User(AbstractUser):
    class Units(models.TextChoices):
        SI = "si", _("metric (SI)")
        US = "us", _("US customary")

    class Theme(models.TextChoices):
        AUTO = "auto", _("as the device")
        LIGHT = "light", _("light")
        DARK = "dark", _("dark")

    unit_system = models.CharField(_("units shown"), max_length=2, choices=Units, default=Units.SI)
    theme = models.CharField(_("appearance"), max_length=5, choices=Theme, default=Theme.AUTO)

    def __str__(self) -> str:
        return self.get_full_name() or self.username


class Role(models.TextChoices):
    DEPOT_MANAGER = "depot_manager", _("depot manager")
    DISPATCHER = "dispatcher", _("dispatcher")
    PROCUREMENT = "procurement", _("procurement")
    VIEWER = "viewer", _("viewer")
    ADMINISTRATOR = "administrator", _("administrator")


class Membership(models.Model):
    """What a user may do, in one depot or (depot empty) in all of them."""

    user = models.ForeignKey(User, on_delete=models.CASCADE, related_name="memberships")
    role = models.CharField(max_length=20, choices=Role)
    depot = models.ForeignKey(
        "fleet.Place", on_delete=models.CASCADE, null=True, blank=True, related_name="memberships"
    )

    class Meta:
        constraints = [
            models.UniqueConstraint(fields=["user", "role", "depot"], name="membership_once"),
            models.UniqueConstraint(
                fields=["user", "role"], condition=Q(depot__isnull=True), name="membership_all_depots_once"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.user}: {self.get_role_display()} ({self.depot or _('all depots')})"


class ApiToken(models.Model):
    """A key for machines; only its hash is kept. Scope: space-separated words such as `read` or `readings:write`."""

    user = models.ForeignKey(User, on_delete=models.CASCADE, related_name="api_tokens")
    name = models.CharField(max_length=80)
    hash = models.CharField(max_length=64, unique=True, editable=False)
    scope = models.CharField(max_length=200, default="read")
    created_at = models.DateTimeField(default=timezone.now, editable=False)
    last_used_at = models.DateTimeField(null=True, blank=True, editable=False)
    expires_on = models.DateField(null=True, blank=True)
    revoked_at = models.DateTimeField(null=True, blank=True)

    def __str__(self) -> str:
        return self.name


class Job(models.Model):
    """Background work. The row is the truth: a broker message only says 'look at this row'."""

    class State(models.TextChoices):
        QUEUED = "queued", _("waiting")
        RUNNING = "running", _("running")
        DONE = "done", _("done")
        FAILED = "failed", _("failed")
        CANCELLED = "cancelled", _("cancelled")

    id = models.UUIDField(primary_key=True, default=uuid.uuid4, editable=False)
    kind = models.CharField(max_length=40)
    state = models.CharField(max_length=10, choices=State, default=State.QUEUED)
    params = models.JSONField(default=dict)
    unique_key = models.CharField(max_length=120, blank=True)
    place = models.ForeignKey(
        "fleet.Place", on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    requested_by = models.ForeignKey(User, on_delete=models.PROTECT, null=True, blank=True, related_name="+")
    created_at = models.DateTimeField(default=timezone.now, editable=False)
    not_before = models.DateTimeField(null=True, blank=True)
    enqueued_at = models.DateTimeField(null=True, blank=True)
    started_at = models.DateTimeField(null=True, blank=True)
    finished_at = models.DateTimeField(null=True, blank=True)
    lease_until = models.DateTimeField(null=True, blank=True)
    worker = models.CharField(max_length=120, blank=True)
    attempt = models.PositiveSmallIntegerField(default=0)
    max_attempts = models.PositiveSmallIntegerField(default=5)
    progress_done = models.PositiveIntegerField(default=0)
    progress_total = models.PositiveIntegerField(default=0)
    progress_note = models.CharField(max_length=200, blank=True)
    cancel_requested = models.BooleanField(default=False)
    result = models.JSONField(default=dict, blank=True)
    error = models.TextField(blank=True)

    class Meta:
        indexes = [
            models.Index(fields=["state", "lease_until"]),
            models.Index(fields=["kind", "-created_at"]),
        ]
        constraints = [
            models.UniqueConstraint(
                fields=["kind", "unique_key"],
                condition=~Q(unique_key="") & Q(state__in=["queued", "running"]),
                name="job_one_open_per_key",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.kind} {self.id}"


class AuditEntry(models.Model):
    """One change of one thing: who, when, from what, to what. Never updated, never deleted (database trigger)."""

    at = models.DateTimeField(default=timezone.now, db_index=True)
    actor = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+")
    action = models.CharField(max_length=60)
    subject_kind = models.CharField(max_length=40)
    subject_id = models.CharField(max_length=40)
    subject_label = models.CharField(max_length=120, blank=True)
    unit = models.ForeignKey("fleet.Unit", on_delete=models.PROTECT, null=True, related_name="audit_entries")
    place = models.ForeignKey("fleet.Place", on_delete=models.PROTECT, null=True, related_name="+")
    before = models.JSONField(default=dict)
    after = models.JSONField(default=dict)
    note = models.CharField(max_length=400, blank=True)

    class Meta:
        indexes = [models.Index(fields=["subject_kind", "subject_id"])]
        verbose_name_plural = "audit entries"

    def __str__(self) -> str:
        return f"{self.at:%Y-%m-%d %H:%M} {self.action} {self.subject_label or self.subject_id}"


def attachment_path(instance: Attachment, filename: str) -> str:
    """Stored by content hash, so that a name typed by a person never becomes a path."""
    return f"attachments/{instance.sha256[:2]}/{instance.sha256}"


class Attachment(models.Model):
    file = models.FileField(upload_to=attachment_path)
    sha256 = models.CharField(max_length=64, db_index=True)
    name = models.CharField(max_length=200)
    content_type = models.CharField(max_length=100)
    size_bytes = models.PositiveIntegerField()
    unit = models.ForeignKey(
        "fleet.Unit", on_delete=models.PROTECT, null=True, blank=True, related_name="attachments"
    )
    place = models.ForeignKey(
        "fleet.Place", on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    title = models.CharField(max_length=200, blank=True)
    added_at = models.DateTimeField(default=timezone.now, editable=False)
    added_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+"
    )

    def __str__(self) -> str:
        return self.title or self.name


class ImportRun(models.Model):
    """One file brought in: uploaded, asked about, previewed, applied, perhaps undone."""

    class State(models.TextChoices):
        UPLOADED = "uploaded", _("uploaded")
        READING = "reading", _("being read")
        QUESTION = "question", _("waiting for an answer")
        PREVIEW = "preview", _("ready to look at")
        APPLYING = "applying", _("being brought in")
        APPLIED = "applied", _("brought in")
        UNDONE = "undone", _("undone")
        FAILED = "failed", _("failed")

    file = models.ForeignKey(Attachment, on_delete=models.PROTECT, related_name="import_runs")
    state = models.CharField(max_length=10, choices=State, default=State.UPLOADED)
    place = models.ForeignKey(
        "fleet.Place", on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    conventions = models.JSONField(default=dict, blank=True)
    questions = models.JSONField(default=list, blank=True)
    choices = models.JSONField(default=dict, blank=True)
    preview = models.JSONField(default=dict, blank=True)
    faults = models.JSONField(default=list, blank=True)
    read_job = models.ForeignKey(Job, on_delete=models.SET_NULL, null=True, blank=True, related_name="+")
    apply_job = models.ForeignKey(Job, on_delete=models.SET_NULL, null=True, blank=True, related_name="+")
    created_at = models.DateTimeField(default=timezone.now, editable=False)
    created_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+"
    )
    applied_at = models.DateTimeField(null=True, blank=True)
    applied_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+"
    )
    undone_at = models.DateTimeField(null=True, blank=True)
    undone_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, related_name="+"
    )
    # True only inside a transaction that takes the import back: its records may then be deleted.
    taking_back = models.BooleanField(default=False, editable=False)
    error = models.TextField(blank=True)

    def __str__(self) -> str:
        return f"{self.file.name} ({self.get_state_display()})"


class ImportChange(models.Model):
    """One row an import added or changed, with what stood there before: what undo needs."""

    class Action(models.TextChoices):
        ADDED = "added", _("added")
        CHANGED = "changed", _("changed")

    run = models.ForeignKey(ImportRun, on_delete=models.CASCADE, related_name="changes")
    sheet = models.CharField(max_length=40)
    row = models.PositiveIntegerField()
    action = models.CharField(max_length=8, choices=Action)
    model = models.CharField(max_length=60)
    object_id = models.CharField(max_length=40)
    before = models.JSONField(default=dict)
    after = models.JSONField(default=dict)
    typed = models.JSONField(default=dict)

    class Meta:
        indexes = [models.Index(fields=["model", "object_id"])]
        constraints = [
            models.UniqueConstraint(
                fields=["run", "sheet", "row", "model", "object_id"], name="import_change_once"
            )
        ]

    def __str__(self) -> str:
        return f"{self.sheet} {self.row}: {self.get_action_display()}"
