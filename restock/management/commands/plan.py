"""manage.py plan --for DATE [--workbook FILE.xlsx]: tonight's plan, stored, and the pick list to carry."""

from pathlib import Path

from django.contrib.auth import get_user_model
from django.core.management.base import CommandError
from django.db.models import Count, Sum
from django.utils import timezone

from restock.management.base import DepartmentCommand, day_argument, day_meant
from restock.models import Shortage
from restock.planning import make_plan
from restock.workbook import write_workbook

SHORTAGES_SHOWN = 15


class Command(DepartmentCommand):
    help = "Work out what every cart needs for a day, store the plan, and write the pick list."

    def add_arguments(self, parser):
        super().add_arguments(parser)
        day_argument(parser)
        parser.add_argument("--workbook", type=Path, metavar="FILE.xlsx", help="Write the pick list to this file.")
        parser.add_argument("--by", metavar="USER", help="Who asked for the plan.")

    def handle(self, *, department, day, workbook, by, **options):
        department = self.department(department)
        plan = make_plan(department=department, for_date=day_meant(day, department), at=timezone.now(), by=_user(by))
        self.stdout.write(f"Plan for {plan.for_date}, {department}: {plan.inputs['listed_cases']} listed cases.")
        if not plan.inputs["listed_cases"]:
            self.stdout.write("No case is listed for that day: load its list with manage.py load cases FILE.")
        self._report(plan)
        if workbook:
            write_workbook(plan, workbook)
            self.stdout.write(f"Pick list: {workbook}")

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
