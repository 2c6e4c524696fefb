from django.apps import AppConfig


class ReadinessConfig(AppConfig):
    name = "readiness"
    verbose_name = "Readiness"
    default_auto_field = "django.db.models.BigAutoField"
