"""One view, one page, one region: a link works without scripts, htmx gets only the region it asked for."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any
from urllib.parse import urlsplit

from django.http import HttpRequest, HttpResponse, HttpResponseRedirect
from django.shortcuts import render
from django.utils.cache import patch_vary_headers
from django.utils.http import url_has_allowed_host_and_scheme
from django_htmx.http import HttpResponseClientRedirect


def wants_region(request: HttpRequest) -> bool:
    """True when htmx asks for a part of the page (not for a boosted whole page or one restored from history)."""
    htmx = getattr(request, "htmx", None)
    return htmx is not None and bool(htmx) and not htmx.boosted and not htmx.history_restore_request


def render_page(
    request: HttpRequest,
    template: str,
    context: Mapping[str, Any] | None = None,
    *,
    region: str | None = None,
    status: int = 200,
) -> HttpResponse:
    """Renders ``template``, or only ``region`` (a template the page includes) when htmx asked for a part."""
    chosen = region if region and wants_region(request) else template
    response = render(request, chosen, dict(context or {}), status=status)
    patch_vary_headers(response, ["HX-Request"])
    return response


def redirect_to(request: HttpRequest, url: str) -> HttpResponse:
    """After a POST: the browser goes to ``url``, with htmx or without."""
    if getattr(request, "htmx", None):
        return HttpResponseClientRedirect(url)
    return HttpResponseRedirect(url)


def safe_next(request: HttpRequest, fallback: str, *, key: str = "next") -> str:
    """The ``next`` (or another ``key``) of a form or address when it stays on this site, else ``fallback``."""
    wanted = request.POST.get(key) or request.GET.get(key) or ""
    if url_has_allowed_host_and_scheme(wanted, {request.get_host()}, require_https=request.is_secure()):
        return wanted
    return fallback


def with_query(request: HttpRequest, **changes: object) -> str:
    """This page's address with some of its query changed; ``None`` takes a key away. The path stays out of it."""
    query = request.GET.copy()
    for key, value in changes.items():
        if value is None:
            query.pop(key, None)
        else:
            query[key] = str(value)
    return f"?{query.urlencode()}" if query else urlsplit(request.path).path
