from django.apps import AppConfig


class TrialConfig(AppConfig):
    name = "tests.faults.trial"
    label = "trial"
    default_auto_field = "django.db.models.BigAutoField"
