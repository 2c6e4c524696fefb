from django.apps import AppConfig


class ReadinessConfig(AppConfig):
    name = "readiness"
    verbose_name = "Readiness"
    default_auto_field = "django.db.models.BigAutoField"

    def ready(self) -> None:
        # Registers the rules that a corrected record must pass, whichever door it comes through.
        import readiness.services.upkeep  # noqa: F401
        from fleet.services.guards import guard_records
        from fleet.services.imports.kinds import register_sheets

        guard_records(self)
        register_sheets("readiness.services.import_sheets")
        register_sheets("readiness.services.bay_sheets")

        # A change of a unit, or of the stores it would take from, is judged at once, by the same function as at night.
        from fleet.services.changes import mark_units_changed, on_units_changed
        from inventory.services.store_changes import mark_stores_changed, on_stores_changed
        from readiness.services.judgement_due import judgement_due_mark
        from readiness.services.sweeps import after_change, after_stores_change, mark_stores

        mark_units_changed(judgement_due_mark)
        on_units_changed(after_change)
        mark_stores_changed(mark_stores)
        on_stores_changed(after_stores_change)

        # What a next edition of the rules changes is counted over the whole fleet, with its goods.
        from fleet.services.editions import count_changes_with
        from readiness.services.edition_changes import count_changes

        count_changes_with(count_changes)
