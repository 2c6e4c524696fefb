from django.urls import URLPattern, URLResolver, path

from fleet.views import documents, find, settings, site

app_name = "fleet"

urlpatterns: list[URLPattern | URLResolver] = [
    path("preferences/", site.site_preference_set, name="preference-set"),
    path("settings/", settings.settings_edit, name="settings"),
    path("find/", find.search_show, name="search"),
    path("units/<str:tag>/documents/", documents.attachment_list, name="attachment-list"),
    path("documents/<int:pk>/", documents.attachment_download, name="attachment-download"),
]
