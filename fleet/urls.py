from django.urls import URLPattern, URLResolver, path

from fleet.views import site

app_name = "fleet"

urlpatterns: list[URLPattern | URLResolver] = [
    path("preferences/", site.site_preference_set, name="preference-set"),
]
