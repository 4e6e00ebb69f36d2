"""manage.py explain --for DATE PLACE CODE: how a number came about, from the cases to the quantity."""

from django.core.management.base import CommandError
from django.utils import timezone

from inventory.models import Room
from restock.forecasting import demand
from restock.learning.forecast import read_frame
from restock.learning.tallies import bring_forward
from restock.management.base import DepartmentCommand, day_argument, day_meant
from restock.models import CaseType, Fit, SizeClass, policy_of
from restock.plans.explaining import explain
from restock.plans.planning import draft_plan
from restock.reasons import pieces

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
        policy = policy_of(department)
        bring_forward(department=department, at=timezone.now())
        draft = draft_plan(department, day, policy=policy)
        explanation = explain(draft, n, policy=policy)
        self._cases(draft, explanation)
        self._learning(department, explanation)
        self._quantity(draft, explanation)

    def _cases(self, draft, explanation) -> None:
        line = draft.forecast.frame.lines[explanation.n]
        self.stdout.write(f"{line.consumable} at {line.place}, {draft.forecast.known.day}")
        rooms, types, sizes = Room.objects.in_bulk(), CaseType.objects.in_bulk(), SizeClass.objects.in_bulk()
        if not explanation.shares:
            self.stdout.write("No listed case is routed to this cart for it.")
        for share in explanation.shares:
            slot, asks = share.slots[0], share.without_one
            where = ", ".join(str(rooms[pk]) for pk in dict.fromkeys(slot.room_id for slot in share.slots))
            self.stdout.write(
                f"  {len(share.slots)} x {types[slot.case_type_id]}, {sizes[slot.size_class_id]} ({where}): "
                f"mean {pieces(share.mean)} each, {_chances(share.pmf)}"
            )
            self.stdout.write(
                f"    from {share.own_cases:.1f} own earlier cases (old ones count less) against "
                f"{share.borrowed_cases:g} borrowed: {share.own_standard:.0%} of that from its set-up standard, "
                "the rest from other cases of its technique"
            )
            self.stdout.write(f"    without one of them {asks.covers} would cover the day: {asks.top_up} to add")
        for specialty, chance in sorted(explanation.cancelled.items()):
            self.stdout.write(f"  {specialty or 'No specialty'}: {chance:.1%} of booked cases are cancelled")
        self.stdout.write(f"Rooms open it for the day: mean {pieces(explanation.room_mean)}.")
        self.stdout.write(
            f"Cases nobody booked: {explanation.added_cases:.1f} expected in the rooms that reach for it, "
            f"mean {pieces(explanation.added_mean)}."
        )

    def _learning(self, department, explanation) -> None:
        fit = Fit.objects.filter(department=department).first()
        if fit is None:
            self.stdout.write("Nothing was fitted yet: manage.py learn looks for day effects and unlogged use.")
        elif explanation.sigma:
            self.stdout.write(
                f"Day effect {explanation.sigma:g}: its use by the cases of a room-day moves together. Fitted on "
                f"{fit.evenings} evenings, {fit.first_day} to {fit.last_day}."
            )
        else:
            self.stdout.write(f"Day effect: none found on {fit.evenings} evenings.")
        counted = explanation.captured
        if counted.spans:
            rate = counted.rate
            put_right = "put right for that" if explanation.kappa < 1.0 else "taken as it is"
            self.stdout.write(
                f"Of {counted.gone} pieces gone between counts ({counted.spans} spans) {counted.logged} were logged: "
                f"{rate.mean:.0%}, likely {rate.low:.0%} to {rate.high:.0%}. The log is {put_right}."
            )
        if explanation.cut_off >= SHOWN:
            self.stdout.write(
                f"{explanation.cut_off:.1f} earlier cases (faded) emptied their cart: they count as at least so many."
            )

    def _quantity(self, draft, explanation) -> None:
        n = explanation.n
        line, pmf = draft.forecast.frame.lines[n], draft.forecast.pmf[n : n + 1]
        usable, target, asked = draft.stock.usable[n], draft.target[n], draft.top_up[n]
        self.stdout.write(f"Together: mean {pieces(explanation.mean)}, {_chances(pmf[0])}")
        self.stdout.write(f"Of {pieces(explanation.mean)} pieces likely opened, {pieces(explanation.unused)} unused.")
        widened = f", read at {explanation.level:.2%} because its kind ran short too often" if draft.widened[n] else ""
        self.stdout.write(
            f"{explanation.need.covers} covers {draft.service_level[n]:.1%} of such days{widened}. Par {line.par}, "
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
