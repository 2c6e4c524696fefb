from django.apps import AppConfig
from django.utils.module_loading import autodiscover_modules

AUDIT_IS_KEPT = "The audit trail is never changed or deleted: add a line that says what is true instead."


class FleetConfig(AppConfig):
    name = "fleet"
    verbose_name = "Fleet"
    default_auto_field = "django.db.models.BigAutoField"

    def ready(self) -> None:
        # These register the rules that a corrected record must pass, whichever door it comes through.
        import fleet.checks
        import fleet.services.deployments
        import fleet.services.units  # noqa: F401
        from fleet.services.guards import guard_keep, guard_records
        from fleet.services.imports.kinds import register_sheets

        guard_keep(self, table="fleet_auditentry", sentence=AUDIT_IS_KEPT)
        guard_records(self)
        register_sheets("fleet.services.imports.own_sheets")
        # Web, commands and workers alike know the handlers of every kind of job.
        autodiscover_modules("tasks")
