"""How many bays does this depot need? The sizing rule at once, and a year played in the background."""

from __future__ import annotations

import datetime as dt
from typing import Any

from django.http import HttpRequest, HttpResponse
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_http_methods

from fleet.lib.errors import DomainError
from fleet.permissions import access_depot, member_required, request_rights, require
from fleet.services.jobs import OPEN
from fleet.web.page import redirect_to, render_page, wants_region
from fleet.web.site import person_of, unit_system
from fleet.web.words import spoken
from readiness.forms.bay_year import YearForm
from readiness.selectors.bay_year import year_question
from readiness.services.bay_year import bay_year_start, latest_answer, latest_year
from readiness.web.bay_year import answer_view, input_pairs, left_out_words, rule_words, stops_words


@member_required
@require_http_methods(["GET", "POST"])
def how_many(request: HttpRequest, depot: str) -> HttpResponse:
    place = access_depot(request, depot)
    system: Any = unit_system(request)
    status = 200
    asked = latest_year(place)
    calls = asked.params["calls_per_year"] if asked is not None else None
    form = YearForm(request.POST or None)
    if request.method == "POST":
        require(request, "upkeep", place.pk)
        status = 422
        if form.is_valid():
            try:
                bay_year_start(
                    place=place, calls_per_year=form.cleaned_data["calls_per_year"], actor=person_of(request)
                )
                return redirect_to(request, reverse("readiness:charging-how-many", args=[place.code]))
            except DomainError as error:
                form.add_error(None, spoken(error))
    if wants_region(request) and asked is not None and asked.state in OPEN:
        return render_page(
            request, "readiness/how_many_answer.html", {"job": asked, "here": request.path}, status=status
        )
    question = year_question(place, now=timezone.now(), calls_per_year=calls)
    if not form.is_bound:
        form = YearForm(initial={"calls_per_year": question.inputs.get("calls_per_year", 0.0)})
    context = {
        "place": place,
        "form": form,
        "stops": stops_words(question),
        "left_out": left_out_words(question),
        "rule": rule_words(question),
        "inputs": input_pairs(question.inputs, dt.date.fromisoformat(question.inputs["first_day"]), system)
        if question.inputs
        else [],
        "job": asked if asked is not None and asked.state != "done" else None,
        "answer": answer_view(latest_answer(place), question, place.time_zone, system),
        "may_play": request_rights(request).can("upkeep", place.pk) and not question.stops,
        "here": reverse("readiness:charging-how-many", args=[place.code]),
    }
    return render_page(
        request, "readiness/how_many.html", context, region="readiness/how_many_answer.html", status=status
    )
