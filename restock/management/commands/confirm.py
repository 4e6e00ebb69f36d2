"""manage.py confirm FILE.xlsx --by USER: the pick list comes back, the ledger follows."""

from pathlib import Path

from django.core.management.base import CommandError
from django.utils import timezone

from inventory.importing.problems import SheetRefused
from restock.evening.confirming import Confirmation, Settled, confirm
from restock.management.base import DepartmentCommand
from restock.plans.settling import Overdrawn
from restock.workbook import read_back
from restock.workbook.contents import count_of


class Command(DepartmentCommand):
    help = (
        "Read the Picked column of a pick list and record what was carried from the storerooms to the carts. "
        "Confirming twice changes nothing; rows filled in later can be confirmed later."
    )

    def add_arguments(self, parser):
        super().add_arguments(parser)
        parser.add_argument("file", type=Path, metavar="FILE.xlsx")
        parser.add_argument("--by", required=True, metavar="USER", help="Who answers for the numbers.")
        parser.add_argument(
            "--correct", action="store_true", help="Let new numbers replace those that were confirmed before."
        )
        parser.add_argument(
            "--superseded", action="store_true", help="Record a list although a newer one was made for the same day."
        )

    def handle(self, *, file, by, department, correct, superseded, **options):
        department = self.department(department)
        user = self.person(department, by)
        try:
            confirmation = confirm(
                read_back(file),
                by=user,
                at=timezone.now(),
                department=department,
                correct=correct,
                superseded=superseded,
            )
        except SheetRefused as refusal:
            raise CommandError(f"Nothing was recorded.\n{refusal}") from None
        self._report(confirmation)

    def _report(self, confirmation: Confirmation) -> None:
        plan, new = confirmation.plan, confirmation.new
        carts = {one.pick.plan_line.place_id for one in new if one.picked}
        self.stdout.write(f"Pick list {plan.pk} for {plan.for_date}, {plan.department}")
        self.stdout.write(
            f"Recorded now: {count_of(confirmation.pieces_moved, 'piece')} in {count_of(len(new), 'pick')}, "
            f"for {count_of(len(carts), 'cart')}."
        )
        self._list("Could not be found", [one for one in new if not one.picked])
        self._list("Less than suggested", [one for one in new if 0 < one.picked < one.pick.quantity])
        self._list("More than suggested", [one for one in new if one.picked > one.pick.quantity])
        self._list("Another lot than suggested", [one for one in new if one.picked and one.lot != one.pick.lot])
        self._list("Corrected", confirmation.corrected)
        if confirmation.beyond_record:
            self.stdout.write("Recorded beyond what the storeroom had on record. Please count there:")
        for beyond in confirmation.beyond_record:
            self.stdout.write(f"  {_beyond_record(beyond)}")
        if confirmation.new_lots:
            self.stdout.write(
                "New lot numbers, recorded without a date of expiry. Read the packs; enter the date, or mend a wrong "
                "number in the list and confirm with --correct:"
            )
        for lot in confirmation.new_lots:
            self.stdout.write(f"  {lot.consumable}: lot {lot}")
        if confirmation.unchanged:
            self.stdout.write(f"Confirmed before and unchanged: {count_of(len(confirmation.unchanged), 'pick')}.")
        if confirmation.open_picks:
            self.stdout.write(
                f"Not filled in yet: {count_of(confirmation.open_picks, 'pick')}. Fill them in and confirm again."
            )

    def _list(self, title, settled) -> None:
        if settled:
            self.stdout.write(f"{title}:")
        for one in settled:
            self.stdout.write(f"  {_sentence(one)}")


def _beyond_record(beyond: Overdrawn) -> str:
    first = beyond.first
    of_lot = f"of lot {first.lot}" if first.lot else "without a lot"
    return (
        f"{first.pick.storeroom}: {first.pick.plan_line.consumable}: recorded {beyond.pieces_lacking} more {of_lot} "
        f"than the storeroom had on record ({beyond.asked} taken)"
    )


def _sentence(settled: Settled) -> str:
    pick, line = settled.pick, settled.pick.plan_line
    was = f", not {settled.before}" if settled.is_correction else ""
    of_lot = f" lot {settled.lot}" if settled.lot else ""
    return f"{line.place}: {settled.picked}{was} of {pick.quantity} x {line.consumable}{of_lot}, from {pick.storeroom}"
