"""What a person chooses for themselves."""

from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.http import HttpRequest, HttpResponse
from django.urls import reverse
from django.utils.translation import gettext as _
from django.views.decorators.http import require_http_methods

from fleet.forms import SettingsForm
from fleet.services.preferences import preference_set
from fleet.web.page import redirect_to, render_page
from fleet.web.site import person_of


@login_required
@require_http_methods(["GET", "POST"])
def settings_edit(request: HttpRequest) -> HttpResponse:
    person = person_of(request)
    chosen = {"unit_system": person.unit_system, "theme": person.theme}
    form = SettingsForm(request.POST) if request.method == "POST" else SettingsForm(initial=chosen)
    if form.is_bound and form.is_valid():
        preference_set(user=person, **form.cleaned_data)
        messages.success(request, _("Saved for all your devices."))
        return redirect_to(request, reverse("fleet:settings"))
    context = {
        "form": form,
        "memberships": person.memberships.select_related("depot").order_by("role", "depot"),
    }
    return render_page(
        request, "fleet/settings.html", context, status=422 if request.method == "POST" else 200
    )
