"""What the forecasts of the past were worth, over a depot or all of them: asked for, worked out by the workers, shown."""

from __future__ import annotations

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.urls import reverse
from django.utils import timezone
from django.utils.translation import gettext as _
from django.views.decorators.http import require_http_methods

from fleet.models import Job
from fleet.permissions import member_required, request_rights, require
from fleet.web.days import today_at
from fleet.web.page import redirect_to, render_page
from fleet.web.site import chosen_depot, person_of
from readiness.selectors.pages_back_test import back_test_jobs
from readiness.services.back_test import back_test_request
from readiness.web.back_test import back_test_words


@member_required
@require_http_methods(["GET", "POST"])
def back_test_page(request: HttpRequest) -> HttpResponse:
    """The latest back-test of the chosen depot (or of all), and a button that asks for a new one."""
    depot = chosen_depot(request)
    rights = request_rights(request)
    may = rights.can("sweep", depot.pk if depot else None)
    if request.method == "POST":
        require(request, "sweep", depot.pk if depot else None)
        today = today_at(depot) if depot else timezone.now().date()
        back_test_request(depot=depot, as_of=today, actor=person_of(request))
        messages.success(request, _("The past is being replayed; this page shows it when it is done."))
        return redirect_to(request, reverse("readiness:back-test"))
    open_job, done = back_test_jobs(depot)
    context = {
        "depot": depot,
        "may": may,
        "job": open_job,
        "running": open_job is not None and open_job.state in (Job.State.QUEUED, Job.State.RUNNING),
        "done": done,
        "told": back_test_words(done.result) if done else None,
    }
    return render_page(request, "readiness/back_test.html", context, region="readiness/back_test_region.html")
