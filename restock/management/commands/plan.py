"""manage.py plan --for DATE [--workbook FILE.xlsx]: tonight's plan, stored, and the pick list to carry.

With --what-if FILE.toml nothing is stored: it says what would be planned otherwise.
"""

from pathlib import Path

from django.core.management.base import CommandError
from django.db.models import Count, Sum
from django.utils import timezone

from restock.advising.storerooms import advise_orders
from restock.management.base import DepartmentCommand, day_argument, day_meant, refuse_unwritable
from restock.models import Shortage, policy_of
from restock.plans.out_of_reach import sentences
from restock.plans.planning import make_plan
from restock.reasons import enough_for, how_many_short, may_run_short
from restock.supervising.cover import covers_of
from restock.supervising.supposing import Difference, NotSupposable, read_supposition, running_out, suppose
from restock.workbook import Paper, write_workbook
from restock.workbook.contents import count_of

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
        if workbook:
            _check_target(workbook, what_if)
        if what_if:
            self._suppose(department, day, what_if)
            return
        by = by and self.person(department, by)
        plan = make_plan(department=department, for_date=day, at=timezone.now(), by=by)
        if workbook:
            # Before a word is said: whoever reads along may close the pipe, and the list is needed all the same.
            self._write(plan, workbook, PAPERS[paper])
        self.stdout.write(
            f"Plan for {plan.for_date}, {department}: {count_of(plan.inputs['listed_cases'], 'listed case')}."
        )
        if not plan.inputs["listed_cases"]:
            self.stdout.write("No case is listed for that day: load its list with manage.py load cases FILE.")
        self._report(plan)
        if workbook:
            self.stdout.write(f"Pick list: {workbook}")

    def _write(self, plan, workbook: Path, paper: Paper) -> None:
        try:
            write_workbook(plan, workbook, paper=paper)
        except OSError as error:
            raise CommandError(
                f"The plan is stored, but {workbook} could not be written ({error.strerror}): make the plan again."
            ) from None

    def _suppose(self, department, day, path: Path) -> None:
        policy = policy_of(department)
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
        shown = [
            (answer.before.forecast.frame.lines[difference.line], words)
            for difference in answer.differences
            if (words := _difference(difference))
        ]
        self.stdout.write(f"{count_of(len(shown), 'line')} would differ, those first that may run short more often.")
        for line, words in shown[:DIFFERENCES_SHOWN]:
            self.stdout.write(f"  {line.place}: {line.consumable}: {words}")
        if len(shown) > DIFFERENCES_SHOWN:
            self.stdout.write(f"  and {len(shown) - DIFFERENCES_SHOWN} more.")
        if supposition.delivery_late_days:
            self._suppose_late(department, supposition.delivery_late_days)

    def _suppose_late(self, department, late_days) -> None:
        now = timezone.now()
        today = department.local_date(now)
        covers = covers_of(advise_orders(department, today=today), at=now)
        found = running_out(department, covers, today=today, late_days=late_days)
        self.stdout.write(
            f"Before a delivery {late_days} days late, {len(found)} storeroom lines may run out that would else last:"
        )
        for one in found[:DIFFERENCES_SHOWN]:
            cover, longer = one.cover, " or more" if one.cover.open_ended else ""
            self.stdout.write(
                f"  {cover.place}: {cover.consumable}: {cover.usable} usable, lasts {cover.low} to "
                f"{cover.high}{longer} days, likely {cover.likely}; delivery usually within {one.delivery_days} days"
            )

    def _report(self, plan) -> None:
        adding = plan.lines.filter(allocated__gt=0)
        total = adding.aggregate(lines=Count("pk"), carts=Count("place", distinct=True), pieces=Sum("allocated"))
        self.stdout.write(
            f"To carry: {count_of(total['pieces'] or 0, 'piece')} in {count_of(total['lines'], 'line')} "
            f"to {count_of(total['carts'], 'cart')}."
        )
        unserved = sentences(plan.inputs["out_of_reach"])
        self._report_shortages(plan, nothing="" if unserved else "Nothing is known to stay short.")
        if unserved:
            self.stdout.write(f"Likely used, but on no cart in reach: {count_of(len(unserved), 'line')}.")
        for sentence in unserved[:SHORTAGES_SHOWN]:
            self.stdout.write(f"  {sentence}")
        if len(unserved) > SHORTAGES_SHOWN:
            self.stdout.write(f"  and {len(unserved) - SHORTAGES_SHOWN} more in the pick list.")

    def _report_shortages(self, plan, *, nothing: str) -> None:
        shortages = Shortage.objects.filter(plan_line__plan=plan).defer("plan_line__pmf")
        shortages = list(shortages.select_related("plan_line__place", "plan_line__consumable"))
        if not shortages:
            if nothing:
                self.stdout.write(nothing)
            return
        shortages.sort(key=lambda shortage: not may_run_short(shortage.plan_line.p_short_after))
        self.stdout.write(
            f"Stays short after that: {count_of(len(shortages), 'line')}. "
            f"{how_many_short([shortage.plan_line.p_short_after for shortage in shortages])}"
        )
        for shortage in shortages[:SHORTAGES_SHOWN]:
            line = shortage.plan_line
            self.stdout.write(
                f"  {line.place}: {line.consumable}, short by {shortage.short_by}, {enough_for(line.p_short_after)}. "
                f"{shortage.why}"
            )
        if len(shortages) > SHORTAGES_SHOWN:
            self.stdout.write(f"  and {len(shortages) - SHORTAGES_SHOWN} more in the pick list.")


def _check_target(workbook: Path, what_if: Path | None) -> None:
    """Refuse before the work what could not be written after it."""
    if what_if:
        raise CommandError("A supposed plan has no pick list: leave out --workbook or --what-if.")
    if workbook.suffix.lower() != ".xlsx":
        raise CommandError(f"{workbook} does not end in .xlsx, so no spreadsheet program would open it.")
    refuse_unwritable(workbook)


def _difference(difference: Difference) -> str:
    """What differs, in words; empty where no number that is shown would."""
    words = [
        f"{what} {then}, not {now}"
        for what, (now, then) in (("need", difference.need), ("carried", difference.allocated))
        if now != then
    ]
    now, then = percents(*difference.p_short)
    if now != then:
        words.append(f"P(short) {then}, not {now}")
    return "; ".join(words)


def percents(first: float, second: float) -> tuple[str, str]:
    """Two shares in percent, with one digit, or as many as tell them apart (at most four)."""
    for digits in range(1, 5):
        shown = f"{first:.{digits}%}", f"{second:.{digits}%}"
        if shown[0] != shown[1]:
            return shown
    return f"{first:.1%}", f"{second:.1%}"
