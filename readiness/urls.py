from django.urls import URLPattern, URLResolver

app_name = "readiness"

urlpatterns: list[URLPattern | URLResolver] = []
