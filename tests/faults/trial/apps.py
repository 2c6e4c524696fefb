from django.apps import AppConfig

SWEEP_SLICE_UNITS = 20
IMPORT_CHUNK_ROWS = 100


class TrialConfig(AppConfig):
    """Also makes the product write in smaller portions, so that a small scene has many places to be killed at."""

    name = "tests.faults.trial"
    label = "trial"
    default_auto_field = "django.db.models.BigAutoField"

    def ready(self) -> None:
        from fleet.services.imports import runs
        from readiness.services import sweep

        runs.CHUNK = IMPORT_CHUNK_ROWS
        sweep.SLICE_UNITS = SWEEP_SLICE_UNITS
