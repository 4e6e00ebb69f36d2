"""manage.py plan --for DATE [--workbook FILE.xlsx]: tonight's plan, stored, and the pick list to carry.

With --what-if FILE.toml nothing is stored: it says what would be planned otherwise.
"""

from pathlib import Path

from django.contrib.auth import get_user_model
from django.core.management.base import CommandError
from django.db.models import Count, Sum
from django.utils import timezone

from restock.management.base import DepartmentCommand, day_argument, day_meant
from restock.models import Policy, Shortage
from restock.planning import make_plan
from restock.supposing import NotSupposable, read_supposition, suppose
from restock.workbook import Paper, write_workbook

SHORTAGES_SHOWN = 15
DIFFERENCES_SHOWN = 25
PAPERS = {paper.name.lower(): paper for paper in Paper}


class Command(DepartmentCommand):
    help = "Work out what every cart needs for a day, store the plan, and write the pick list."

    def add_arguments(self, parser):
        super().add_arguments(parser)
        day_argument(parser)
        parser.add_argument("--workbook", type=Path, metavar="FILE.xlsx", help="Write the pick list to this file.")
        parser.add_argument("--paper", choices=PAPERS, default="a4", help="What the pick list is printed on.")
        parser.add_argument("--by", metavar="USER", help="Who asked for the plan.")
        parser.add_argument(
            "--what-if", type=Path, metavar="FILE.toml", help="Only say what would differ on a day as in this file."
        )

    def handle(self, *, department, day, workbook, paper, by, what_if, **options):
        department = self.department(department)
        day = day_meant(day, department)
        if what_if:
            self._suppose(department, day, what_if)
            return
        plan = make_plan(department=department, for_date=day, at=timezone.now(), by=_user(by))
        self.stdout.write(f"Plan for {plan.for_date}, {department}: {plan.inputs['listed_cases']} listed cases.")
        if not plan.inputs["listed_cases"]:
            self.stdout.write("No case is listed for that day: load its list with manage.py load cases FILE.")
        self._report(plan)
        if workbook:
            write_workbook(plan, workbook, paper=PAPERS[paper])
            self.stdout.write(f"Pick list: {workbook}")

    def _suppose(self, department, day, path: Path) -> None:
        policy, _ = Policy.objects.get_or_create(department=department)
        try:
            supposition = read_supposition(path, department, day)
        except NotSupposable as error:
            raise CommandError(str(error)) from None
        answer = suppose(department, day, supposition, policy=policy)
        before, after = (len(draft.forecast.known.slots) for draft in (answer.before, answer.after))
        carried = [int(draft.allocated.sum()) for draft in (answer.before, answer.after)]
        self.stdout.write(
            f"If so on {day}: {after} cases, not {before}; {carried[1]} pieces to carry, not {carried[0]}."
        )
        self.stdout.write(f"{len(answer.differences)} lines differ, those first that may run short more often:")
        for difference in answer.differences[:DIFFERENCES_SHOWN]:
            line = answer.before.forecast.frame.lines[difference.line]
            (need, then_need), (given, then_given) = difference.need, difference.allocated
            chance, then_chance = difference.p_short
            self.stdout.write(
                f"  {line.place}: {line.consumable}: need {then_need}, not {need}; carried {then_given}, not {given}; "
                f"P(short) {then_chance:.1%}, not {chance:.1%}"
            )
        if len(answer.differences) > DIFFERENCES_SHOWN:
            self.stdout.write(f"  and {len(answer.differences) - DIFFERENCES_SHOWN} more.")
        if supposition.delivery_late_days:
            late = f"a delivery {supposition.delivery_late_days} days late"
            self.stdout.write(
                f"Before {late}, {len(answer.running_out)} storeroom lines may run out that would else last:"
            )
        for order in answer.running_out[:DIFFERENCES_SHOWN]:
            low, likely, high = order.cover
            longer = " or more" if order.cover_open else ""
            self.stdout.write(
                f"  {order.place}: {order.consumable}: {order.usable} usable, lasts {low} to {high}{longer} days, "
                f"likely {likely}; delivery usually within {order.policy.longest_lead_days} days"
            )

    def _report(self, plan) -> None:
        adding = plan.lines.filter(allocated__gt=0)
        total = adding.aggregate(lines=Count("pk"), carts=Count("place", distinct=True), pieces=Sum("allocated"))
        self.stdout.write(
            f"To carry: {total['pieces'] or 0} pieces in {total['lines']} lines to {total['carts']} carts."
        )
        shortages = Shortage.objects.filter(plan_line__plan=plan).select_related(
            "plan_line__place", "plan_line__consumable"
        )
        if not shortages:
            self.stdout.write("Nothing is known to stay short.")
            return
        self.stdout.write(f"Stays short: {len(shortages)} lines, worst first.")
        for shortage in shortages[:SHORTAGES_SHOWN]:
            line = shortage.plan_line
            self.stdout.write(f"  {line.place}: {line.consumable}, short by {shortage.short_by}. {shortage.reason}")
        if len(shortages) > SHORTAGES_SHOWN:
            self.stdout.write(f"  and {len(shortages) - SHORTAGES_SHOWN} more in the pick list.")


def _user(name: str | None):
    if name is None:
        return None
    users = get_user_model()
    user = users.objects.filter(**{users.USERNAME_FIELD: name}).first()
    if user is None:
        raise CommandError(f"No user is called {name}.")
    return user
