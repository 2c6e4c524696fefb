from django.urls import URLPattern, URLResolver, path

from fleet.views import documents, find, imports, settings, site, transport_terms

app_name = "fleet"

urlpatterns: list[URLPattern | URLResolver] = [
    path("preferences/", site.site_preference_set, name="preference-set"),
    path("settings/", settings.settings_edit, name="settings"),
    path("settings/transport/", transport_terms.transport_terms_show, name="transport-terms"),
    path("settings/transport/edit/", transport_terms.transport_terms_edit, name="transport-terms-edit"),
    path("find/", find.search_show, name="search"),
    path("units/<str:tag>/documents/", documents.attachment_list, name="attachment-list"),
    path("imports/", imports.import_list, name="import-list"),
    path("imports/template/<str:kind>.<str:form>", imports.import_template, name="import-template"),
    path("imports/export/<str:kind>.<str:form>", imports.import_export, name="import-export"),
    path("imports/<int:pk>/", imports.import_show, name="import-show"),
    path("imports/<int:pk>/answer/", imports.import_answer_give, name="import-answer"),
    path("imports/<int:pk>/apply/", imports.import_apply_start, name="import-apply"),
    path("imports/<int:pk>/undo/", imports.import_undo_start, name="import-undo"),
    path("imports/<int:pk>/stop/", imports.import_stop, name="import-stop"),
    path("imports/<int:pk>/faults/", imports.import_faults, name="import-faults"),
    path("documents/<int:pk>/", documents.attachment_download, name="attachment-download"),
]
