"""Prove the balances: rebuild every one of them from the movements and report what differs."""

from django.core.management.base import BaseCommand, CommandError
from django.db import connection

from inventory import ledger
from inventory.append_only import missing_triggers
from inventory.models import Consumable, Department, Lot, Movement, Place


class Command(BaseCommand):
    help = "Rebuild every balance from the movements and report any difference. Changes nothing."

    def add_arguments(self, parser):
        parser.add_argument("--department", metavar="CODE", help="Only this department. Without it: all of them.")

    def handle(self, *, department, **options):
        chosen = None
        if department is not None:
            chosen = Department.objects.filter(code=department).first()
            if chosen is None:
                raise CommandError(f"There is no department “{department}”.")

        elif not Department.objects.exists():
            raise CommandError('Open a department first: manage.py begin "NAME OF THE DEPARTMENT" --user NAME')

        found = ledger.differences(chosen)
        for line in _sentences(found):
            self.stdout.write(line)
        unguarded = missing_triggers(connection)
        for trigger in unguarded:
            self.stdout.write(f"The database lost its trigger {trigger}: rows could have been changed.")
        if found or unguarded:
            raise CommandError(
                f"Balances that differ from the ledger: {len(found)}. Triggers missing: {len(unguarded)}. "
                "The movements are the truth: find out what wrote to the database beside Evenfill."
            )
        movements = Movement.objects.filter(source__department=chosen) if chosen else Movement.objects
        self.stdout.write(f"Every balance equals the sum of its movements. Movements: {movements.count()}.")


def _sentences(found: list[ledger.Difference]) -> list[str]:
    """One line for each difference, in the order of place, line and lot as people know them."""
    places = Place.objects.in_bulk({d.place_id for d in found})
    consumables = Consumable.objects.in_bulk({d.consumable_id for d in found})
    lots = Lot.objects.in_bulk({d.lot_id for d in found} - {None})
    return sorted(
        f"{places[d.place_id].code}, {consumables[d.consumable_id].code}, "
        f"{f'lot {lots[d.lot_id].number}' if d.lot_id else 'no lot'}: "
        f"the ledger says {d.ledger_pieces}, the balance says {d.balance_pieces}"
        for d in found
    )
