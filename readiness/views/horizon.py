"""The horizon: the fleet's face."""

from django.db.models import F
from django.http import HttpRequest, HttpResponse
from django.utils import timezone
from django.views.decorators.http import require_GET

from fleet.permissions import member_required
from fleet.web.days import today_at
from fleet.web.horizon import horizon
from fleet.web.page import render_page, with_query
from fleet.web.paging import page_of
from fleet.web.site import chosen_depot, depots_in_view
from readiness.filters import UnitFilter
from readiness.selectors.pages_together import together_by_depot
from readiness.selectors.pages_units import units_with_verdicts
from readiness.web.horizon_units import horizon_units
from readiness.web.together import together_words

SPANS = (30, 90, 180, 365)
UNITS_SHOWN = 60
BY_DEPOT = ("home__name", "tag")
# The undecided first, then those that stop being what they are the soonest.
BY_END = (F("why_undecided").desc(), F("shown__turns_on").asc(nulls_last=True), "tag")


@member_required
@require_GET
def horizon_show(request: HttpRequest) -> HttpResponse:
    depot = chosen_depot(request)
    today = today_at(depot)
    now = timezone.now()
    found = units_with_verdicts(now=now, depots=depots_in_view(request), depot=depot)
    filters = UnitFilter(request.GET, found, request=request)
    by_end = request.GET.get("order") == "end"
    paging = page_of(request, filters.qs.order_by(*(BY_END if by_end else BY_DEPOT)), per_page=UNITS_SHOWN)
    days = span_of(request)
    # Of whole depots, whatever is filtered or on which page: only so can it be said how many are ready together.
    together = together_by_depot(now=now, today=today, depots=depots_in_view(request), depot=depot)
    context = {
        "depot": depot,
        "today": today,
        "filters": filters,
        "paging": paging,
        "horizon": horizon(horizon_units(paging.rows, today=today), first_day=today, days=days),
        "spans": [(span, with_query(request, days=span), span == days) for span in SPANS],
        "days": days,
        "by_end": by_end,
        "together": [together_words(one) for one in together],
        "other_order_url": with_query(request, order=None if by_end else "end", page=None),
    }
    return render_page(request, "readiness/horizon.html", context, region="readiness/horizon_region.html")


def span_of(request: HttpRequest) -> int:
    """Days across, of the offered ones; 90 when the address says nonsense."""
    wanted = request.GET.get("days", "")
    return int(wanted) if wanted in {str(span) for span in SPANS} else 90
