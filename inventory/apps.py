from django.apps import AppConfig

LEDGER_IS_KEPT = "The stock ledger is never changed or deleted: reverse the movement instead."


class InventoryConfig(AppConfig):
    name = "inventory"
    verbose_name = "Inventory"
    default_auto_field = "django.db.models.BigAutoField"

    def ready(self) -> None:
        from fleet.services.guards import guard_keep

        guard_keep(self, table="inventory_movement", sentence=LEDGER_IS_KEPT)
