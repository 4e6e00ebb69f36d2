"""manage.py explain --for DATE PLACE CODE: how a number came about, from the cases to the quantity."""

from django.core.management.base import CommandError
from django.utils import timezone

from inventory.models import Room
from restock.explaining import explain
from restock.forecast import read_frame
from restock.forecasting import demand
from restock.management.base import DepartmentCommand, day_argument, day_meant
from restock.models import CaseType, Policy, SizeClass
from restock.planning import draft_plan
from restock.reasons import pieces
from restock.tallies import bring_forward

SHOWN = 0.005  # probabilities below this are left out of the lists


class Command(DepartmentCommand):
    help = "Show how the quantity of one line of one cart comes about. Nothing is planned."

    def add_arguments(self, parser):
        super().add_arguments(parser)
        day_argument(parser)
        parser.add_argument("place", metavar="PLACE", help="Code of the cart.")
        parser.add_argument("code", metavar="CODE", help="Code of the consumable.")

    def handle(self, *, department, day, place, code, **options):
        department = self.department(department)
        day = day_meant(day, department)
        n = _line_number(read_frame(department).lines, place, code)
        policy, _ = Policy.objects.get_or_create(department=department)
        bring_forward(department=department, at=timezone.now())
        draft = draft_plan(department, day, policy=policy)
        self._cases(draft, explain(draft, n))
        self._quantity(draft, n)

    def _cases(self, draft, explanation) -> None:
        line = draft.forecast.frame.lines[explanation.n]
        self.stdout.write(f"{line.consumable} at {line.place}, {draft.forecast.known.day}")
        rooms, types, sizes = Room.objects.in_bulk(), CaseType.objects.in_bulk(), SizeClass.objects.in_bulk()
        if not explanation.shares:
            self.stdout.write("No listed case is routed to this cart for it.")
        for share in explanation.shares:
            slot = share.slot
            self.stdout.write(
                f"  {rooms[slot.room_id]}: {types[slot.case_type_id]}, {sizes[slot.size_class_id]}: "
                f"mean {pieces(share.mean)}, {_chances(share.pmf)}; "
                f"{share.own_cases:.0f} own earlier cases, {share.borrowed_cases:.1f} borrowed"
            )
        for specialty, chance in sorted(explanation.cancelled.items()):
            self.stdout.write(f"  {specialty or 'No specialty'}: {chance:.1%} of booked cases are cancelled")
        self.stdout.write(
            f"Rooms open it for the day: mean {pieces(explanation.room_mean)}. "
            f"Cases nobody booked: mean {pieces(max(explanation.added_mean, 0.0))}."
        )

    def _quantity(self, draft, n) -> None:
        line, pmf = draft.forecast.frame.lines[n], draft.forecast.pmf[n : n + 1]
        usable, target, asked = draft.stock.usable[n], draft.target[n], draft.top_up[n]
        self.stdout.write(f"Together: mean {pieces(demand.mean(pmf)[0])}, {_chances(pmf[0])}")
        self.stdout.write(
            f"{draft.q_service[n]} covers {draft.service_level[n]:.1%} of such days. Par {line.par}, "
            f"floor {line.floor}, bin {line.capacity or 'not stated'}: target {target}."
        )
        self.stdout.write(
            f"{draft.stock.on_hand[n]} recorded, {usable} usable: {asked} to add, "
            f"{draft.allocated[n]} of them from the storerooms. "
            f"P(short) {demand.p_short(pmf, usable)[0]:.2%} before, "
            f"{demand.p_short(pmf, usable + draft.allocated[n])[0]:.2%} after."
        )


def _line_number(lines, place: str, code: str) -> int:
    for n, line in enumerate(lines):
        if line.place.code == place and line.consumable.code == code:
            return n
    if all(line.place.code != place for line in lines):
        raise CommandError(
            f"No cart has the code {place}. There are: {', '.join(dict.fromkeys(line.place.code for line in lines))}."
        )
    raise CommandError(f"{place} keeps no line {code}.")


def _chances(pmf) -> str:
    return ", ".join(f"{q}: {p:.0%}" for q, p in enumerate(pmf) if p >= SHOWN)
