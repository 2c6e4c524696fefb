"""One box over everything that has a name."""

from django.http import HttpRequest, HttpResponse, HttpResponseRedirect
from django.views.decorators.http import require_GET

from fleet.models import Unit
from fleet.permissions import member_required
from fleet.web.page import render_page, wants_region
from fleet.web.search import MOST_PER_KIND, SHORTEST, opened_by, search, unit_page


@member_required
@require_GET
def search_show(request: HttpRequest) -> HttpResponse:
    """Results by kind; a whole unit tag, or the code of a label, leads straight to its page."""
    text = request.GET.get("q", "").strip()
    unit = Unit.objects.filter(tag__iexact=text).first() if text else None
    if unit is not None and not wants_region(request) and (page := unit_page(unit)):
        return HttpResponseRedirect(page)
    if text and not wants_region(request) and (page := opened_by(text)):
        return HttpResponseRedirect(page)
    context = {
        "text": text,
        "found": search(text),
        "too_short": 0 < len(text) < SHORTEST,
        "most": MOST_PER_KIND,
    }
    return render_page(request, "fleet/search.html", context)
