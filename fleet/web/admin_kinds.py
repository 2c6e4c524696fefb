"""Kinds of admin pages, so that the admin site keeps the rules of the product.

`ReadOnlyAdmin` for what the tool works out or keeps; `RecordAdmin` for what people wrote down (a change is a correction, a
strike has a reason, nothing is deleted); `EditedAdmin` for rows people edit (audited, versions checked, nothing deleted).
"""

from __future__ import annotations

from typing import Any

from django import forms
from django.contrib import admin, messages
from django.db import models, transaction
from django.http import HttpRequest, HttpResponse, HttpResponseRedirect
from django.urls import reverse
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from fleet.lib.errors import DomainError
from fleet.models import Correctable, User, Versioned
from fleet.selectors.touched import units_touched
from fleet.services.changes import units_changed
from fleet.services.corrections import record_strike, record_supersede
from fleet.services.records import BOOKKEEPING, check_row, facts, note_change
from fleet.services.versions import Conflict, save_versioned
from fleet.web.words import spoken


class KeptAdmin(admin.ModelAdmin):
    """Nothing is deleted here."""

    list_per_page = 50
    show_full_result_count = False

    def has_delete_permission(self, request: HttpRequest, obj: Any = None) -> bool:
        return False


class ReadOnlyAdmin(KeptAdmin):
    """To look at only."""

    def has_add_permission(self, request: HttpRequest, obj: Any = None) -> bool:
        return False

    def has_change_permission(self, request: HttpRequest, obj: Any = None) -> bool:
        return False


class SentenceForm(forms.ModelForm):
    """A form whose row is judged by the services: what they refuse is a sentence above the form."""

    def _post_clean(self) -> None:
        # The rules of the row are checked once, by the service that saves it.
        self.instance = forms.models.construct_instance(
            self, self.instance, self._meta.fields, self._meta.exclude
        )

    def changes(self) -> dict[str, Any]:
        names = {field.name for field in self.instance._meta.concrete_fields}
        return {name: self.cleaned_data[name] for name in self.changed_data if name in names}


class ServiceAdmin(KeptAdmin):
    """Saves by a service inside the form's own check, so that a refusal is shown beside what was typed."""

    form = SentenceForm

    def save_by_service(self, request: HttpRequest, form: Any, change: bool) -> models.Model:
        raise NotImplementedError

    def get_form(self, request: HttpRequest, obj: Any = None, change: bool = False, **kwargs: Any) -> Any:
        base = super().get_form(request, obj, change=change, **kwargs)
        page = self

        class JudgedForm(base):  # type: ignore[misc, valid-type]
            saved: models.Model | None = None

            def clean(self) -> Any:
                cleaned = super().clean()
                if not self.errors:
                    self._post_clean()
                    try:
                        with transaction.atomic():
                            self.saved = page.save_by_service(request, self, change)
                    except DomainError as error:
                        self.add_error(None, told(error))
                return cleaned

        return JudgedForm

    def save_form(self, request: HttpRequest, form: Any, change: bool) -> Any:
        return form.saved or form.instance

    def save_model(self, request: HttpRequest, obj: Any, form: Any, change: bool) -> None:
        """Saved by the service already."""

    def save_related(self, request: HttpRequest, form: Any, formsets: Any, change: bool) -> None:
        """What a row is linked to (an inspection type to its designs), audited like the row itself."""
        row = form.saved or form.instance
        with transaction.atomic():
            for field in row._meta.many_to_many:
                if field.name in form.changed_data:
                    link(row, field.name, form.cleaned_data[field.name], actor_of(request))

    def response_change(self, request: HttpRequest, obj: Any) -> HttpResponse:
        """A correction is another row: back to the list, not to the row that counts no more."""
        messages.success(request, _("Saved: %(what)s.") % {"what": str(obj)})
        meta = self.model._meta
        return HttpResponseRedirect(reverse(f"admin:{meta.app_label}_{meta.model_name}_changelist"))


class RecordForm(SentenceForm):
    reason = forms.CharField(
        label=gettext_lazy("Why it is put right"), max_length=400, required=False, widget=forms.TextInput
    )
    strike = forms.BooleanField(
        label=gettext_lazy("Strike it out"),
        required=False,
        help_text=gettext_lazy("It stays visible with the reason and counts for nothing."),
    )


class RecordAdmin(ServiceAdmin):
    """What people wrote down. Written on the pages of the unit; put right here or there; never deleted."""

    form = RecordForm

    def get_list_filter(self, request: HttpRequest) -> Any:
        """Spans of days, which an index finds; a hierarchy of dates would read every record there is."""
        return (*super().get_list_filter(request), "happened_at")

    def has_add_permission(self, request: HttpRequest, obj: Any = None) -> bool:
        return False

    def has_change_permission(self, request: HttpRequest, obj: Any = None) -> bool:
        return super().has_change_permission(request, obj) and (obj is None or obj.counts)

    def get_fields(self, request: HttpRequest, obj: Any = None) -> Any:
        names = [
            field.name
            for field in self.model._meta.concrete_fields
            if field.editable and field.name not in BOOKKEEPING
        ]
        return [*names, "reason", "strike"] if obj is None or obj.counts else names

    def get_readonly_fields(self, request: HttpRequest, obj: Any = None) -> Any:
        return []

    def get_list_display(self, request: HttpRequest) -> Any:
        return [*super().get_list_display(request), "happened_at", "recorded_by", "standing"]

    @admin.display(description=gettext_lazy("standing"))
    def standing(self, obj: Correctable) -> str:
        if obj.struck_at is not None:
            return _("struck out: %(why)s") % {"why": obj.struck_reason}
        return _("counts") if obj.counts else _("superseded")

    def save_by_service(self, request: HttpRequest, form: Any, change: bool) -> models.Model:
        reason, actor = form.cleaned_data.get("reason", ""), actor_of(request)
        if form.cleaned_data.get("strike"):
            return record_strike(record=form.instance, reason=reason, actor=actor)
        return record_supersede(
            record=form.instance,
            changes=form.changes(),
            actor=actor,
            reason=reason,
            confirmed=form.cleaned_data.get("confirmed", False),
        )


class EditedForm(SentenceForm):
    seen_version = forms.IntegerField(widget=forms.HiddenInput, required=False)

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        if self.instance.pk and isinstance(self.instance, Versioned):
            self.initial["seen_version"] = self.instance.version


class EditedAdmin(ServiceAdmin):
    """Rows people edit: every change audited; saving over someone else's change is refused and shows both."""

    form = EditedForm

    def get_fields(self, request: HttpRequest, obj: Any = None) -> Any:
        names = [
            field.name
            for field in (*self.model._meta.concrete_fields, *self.model._meta.many_to_many)
            if field.editable and field.name not in BOOKKEEPING
        ]
        return [*names, "seen_version"]

    def save_by_service(self, request: HttpRequest, form: Any, change: bool) -> models.Model:
        if not change:
            return self.add_row(request, form)
        changes = form.changes()
        if isinstance(form.instance, Versioned):
            seen = form.cleaned_data.get("seen_version") or 0
            return save_versioned(
                instance=form.instance, seen_version=seen, changes=changes, actor=actor_of(request)
            )
        return edit_row(self.model, form.instance.pk, changes, actor_of(request))

    def add_row(self, request: HttpRequest, form: Any) -> models.Model:
        row: models.Model = form.instance
        check_row(row)
        row.save(force_insert=True)
        note_change(row, action=f"{row._meta.model_name}.add", actor=actor_of(request), after=facts(row))
        return row


def edit_row(model: type[models.Model], pk: Any, changes: dict[str, Any], actor: User | None) -> models.Model:
    """An edit of a row that carries no version: checked and audited the same."""
    with transaction.atomic():
        row = model._base_manager.select_for_update().get(pk=pk)
        before = {name: getattr(row, name) for name in changes}
        for name, value in changes.items():
            setattr(row, name, value)
        check_row(row)
        row.save()
        note_change(row, action=f"{row._meta.model_name}.edit", actor=actor, before=before, after=changes)
        return row


def link(row: models.Model, name: str, chosen: Any, actor: User | None) -> None:
    """Sets a many-to-many relation; whoever was concerned before or is now is computed again."""
    related = getattr(row, name)
    before = [str(each) for each in related.all()]
    units_changed(units_touched(row))
    related.set(chosen)
    after = [str(each) for each in chosen]
    note_change(
        row, action=f"{row._meta.model_name}.{name}", actor=actor, before={name: before}, after={name: after}
    )


def audit_formset(formset: Any, actor: User | None, *, subject: models.Model) -> None:
    """Saves the rows of an inline, each with its line in the audit; the rights of a person change here."""
    with transaction.atomic():
        rows = formset.save(commit=False)
        for row in formset.deleted_objects:
            note_change(row, action=f"{row._meta.model_name}.remove", actor=actor, before=facts(row))
            row.delete()
        for row in rows:
            check_row(row)
            row.save()
            note_change(
                row, action=f"{row._meta.model_name}.set", actor=actor, after=facts(row), note=str(subject)
            )


def actor_of(request: HttpRequest) -> User | None:
    return request.user if isinstance(request.user, User) else None


def told(error: DomainError) -> list[str]:
    """The sentence, and for a conflict what stands there now against what was typed."""
    lines = [spoken(error)]
    if isinstance(error, Conflict):
        lines += [
            _("%(field)s: %(theirs)s there now, %(yours)s typed.")
            % {"field": each.label, "theirs": each.theirs, "yours": each.yours}
            for each in error.differences
        ]
    return lines
