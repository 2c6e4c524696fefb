"""Recomputes every balance from the movements and says what does not add up."""

from typing import Any

from django.core.management.base import BaseCommand, CommandError

from inventory.models import Balance, Movement
from inventory.selectors.ledger_check import ledger_differences


class Command(BaseCommand):
    help = "Recomputes every balance from the movements; ends with an error when something does not add up."

    def handle(self, *args: Any, **options: Any) -> None:
        differences = ledger_differences()
        for difference in differences:
            self.stdout.write(
                f"{difference.about}: {difference.stands} stands, the movements give {difference.explained}"
            )
        if differences:
            raise CommandError(f"{len(differences)} things do not add up.")
        self.stdout.write(
            f"{Balance.objects.count()} balances agree with {Movement.objects.count()} movements."
        )
