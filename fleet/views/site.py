"""What a person chooses for all pages: depot in view, units of measure, light or dark."""

from django.contrib.auth.decorators import login_required
from django.http import HttpRequest, HttpResponse
from django.views.decorators.http import require_POST

from fleet.models import User
from fleet.services.preferences import preference_set
from fleet.web.page import redirect_to, safe_next
from fleet.web.site import DEPOT_KEY, depots_in_view


@login_required
@require_POST
def site_preference_set(request: HttpRequest) -> HttpResponse:
    """Keeps what is known and leaves out the rest; the depot in view belongs to the session, not to the account."""
    wanted = request.POST.get("depot")
    if wanted is not None and wanted in {"", *(depot.code for depot in depots_in_view(request))}:
        request.session[DEPOT_KEY] = wanted
    assert isinstance(request.user, User)
    preference_set(
        user=request.user, unit_system=request.POST.get("unit_system"), theme=request.POST.get("theme")
    )
    return redirect_to(request, safe_next(request, "/"))
