"""The site map. Each app keeps its own addresses in its own `urls.py`."""

from typing import Any

from django.contrib import admin
from django.contrib.auth import views as auth_views
from django.core.exceptions import PermissionDenied
from django.db import connection
from django.http import HttpRequest, HttpResponse
from django.urls import include, path
from django.views.decorators.cache import never_cache
from ninja import NinjaAPI


@never_cache
def healthz(request: HttpRequest) -> HttpResponse:
    """Answers 200 when the process serves and reaches its database."""
    with connection.cursor() as cursor:
        cursor.execute("SELECT 1")
        cursor.fetchone()
    return HttpResponse("ok\n", content_type="text/plain; charset=utf-8")


# The interactive page would fetch its scripts from elsewhere, so there is none: the document itself is at api/openapi.json.
api = NinjaAPI(title="Musterwell", version="1", urls_namespace="api", docs_url=None)
api.add_router("", "readiness.api.router")
api.add_router("", "readiness.api_transport.router")
api.add_router("", "readiness.api_load.router")
api.add_router("", "readiness.api_bays.router")
api.add_router("", "readiness.api_samples.router")


@api.exception_handler(PermissionDenied)
def refused(request: HttpRequest, error: Any) -> HttpResponse:
    """What a page answers with 403 is a sentence here, too."""
    return api.create_response(request, {"key": "refused", "message": str(error)}, status=403)


urlpatterns = [
    path("healthz", healthz, name="healthz"),
    path("admin/", admin.site.urls),
    path("accounts/login/", auth_views.LoginView.as_view(redirect_authenticated_user=True), name="login"),
    path("accounts/logout/", auth_views.LogoutView.as_view(), name="logout"),
    path("api/", api.urls),
    path("fleet/", include("fleet.urls")),
    path("stores/", include("inventory.urls")),
    path("", include("readiness.urls")),
]
