from django.apps import AppConfig
from django.utils.module_loading import autodiscover_modules


class FleetConfig(AppConfig):
    name = "fleet"
    verbose_name = "Fleet"
    default_auto_field = "django.db.models.BigAutoField"

    def ready(self) -> None:
        # Web, commands and workers alike know the handlers of every kind of job.
        autodiscover_modules("tasks")
