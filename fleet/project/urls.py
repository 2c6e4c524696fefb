"""The site map. Each app keeps its own addresses in its own `urls.py`."""

from django.contrib import admin
from django.contrib.auth import views as auth_views
from django.db import connection
from django.http import HttpRequest, HttpResponse
from django.urls import include, path
from django.views.decorators.cache import never_cache


@never_cache
def healthz(request: HttpRequest) -> HttpResponse:
    """Answers 200 when the process serves and reaches its database."""
    with connection.cursor() as cursor:
        cursor.execute("SELECT 1")
        cursor.fetchone()
    return HttpResponse("ok\n", content_type="text/plain; charset=utf-8")


urlpatterns = [
    path("healthz", healthz, name="healthz"),
    path("admin/", admin.site.urls),
    path("accounts/login/", auth_views.LoginView.as_view(redirect_authenticated_user=True), name="login"),
    path("accounts/logout/", auth_views.LogoutView.as_view(), name="logout"),
    path("fleet/", include("fleet.urls")),
    path("stores/", include("inventory.urls")),
    path("", include("readiness.urls")),
]
