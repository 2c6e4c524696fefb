from django.apps import AppConfig

LEDGER_IS_KEPT = "The stock ledger is never changed or deleted: reverse the movement instead."


class InventoryConfig(AppConfig):
    name = "inventory"
    verbose_name = "Inventory"
    default_auto_field = "django.db.models.BigAutoField"

    def ready(self) -> None:
        import inventory.web.search  # noqa: F401  (items and lots join the one search box)
        from fleet.services.changes import on_units_changed
        from fleet.services.guards import guard_add, guard_keep, guard_records
        from fleet.services.imports.kinds import register_sheets
        from inventory.services.after_change import after_units_changed
        from inventory.services.single_piece import SINGLE_PIECE

        register_sheets("inventory.services.import_sheets")
        guard_keep(self, table="inventory_movement", sentence=LEDGER_IS_KEPT)
        guard_records(self)
        guard_add(self, SINGLE_PIECE)
        on_units_changed(after_units_changed)
