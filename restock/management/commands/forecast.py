"""manage.py forecast --for DATE --csv FILE [--pmf]: tomorrow's demand for every cart line, as a table."""

import csv
from pathlib import Path

from django.core.management.base import CommandError
from django.utils import timezone

from inventory.importing.loading import amount
from restock.forecasting import demand
from restock.learning.tallies import bring_forward
from restock.management.base import DepartmentCommand, day_argument, day_meant, refuse_unwritable
from restock.models import policy_of
from restock.plans.planning import draft_plan

COLUMNS = ("date", "place", "code", "on_hand", "par", "floor", "mean", "q50", "q90", "q95", "q99")
COLUMNS += ("p_short", "expected_shortfall", "target", "top_up")


class Command(DepartmentCommand):
    help = "Write the forecast of a day: one row for every line of every cart. Nothing is planned."

    def add_arguments(self, parser):
        super().add_arguments(parser)
        day_argument(parser)
        parser.add_argument("--csv", type=Path, required=True, metavar="FILE", help="Write the table to this file.")
        parser.add_argument(
            "--pmf", action="store_true", help="Add the whole distribution: columns p0, p1, p2, ... of each quantity."
        )

    def handle(self, *, department, day, pmf, **options):
        path = options["csv"]
        department = self.department(department)
        day = day_meant(day, department)
        refuse_unwritable(path)
        policy = policy_of(department)
        bring_forward(department=department, at=timezone.now())
        draft = draft_plan(department, day, policy=policy)
        try:
            with path.open("w", newline="", encoding="utf-8") as file:
                rows = _write(file, draft, day, with_pmf=pmf)
        except OSError as error:
            raise CommandError(f"{path} cannot be written: {error.strerror}.") from None
        self.stdout.write(f"{amount(rows, 'line')} for {day}: {path}")


def _write(file, draft, day, *, with_pmf: bool) -> int:
    total, usable = draft.forecast.pmf, draft.stock.usable
    columns = [demand.mean(total)] + [demand.quantile(total, tau) for tau in (0.5, 0.9, 0.95, 0.99)]
    columns += [demand.p_short(total, usable), demand.expected_shortfall(total, usable)]
    writer = csv.writer(file)
    writer.writerow([*COLUMNS, *(f"p{q}" for q in range(total.shape[1] if with_pmf else 0))])
    for n, line in enumerate(draft.forecast.frame.lines):
        figures = [f"{column[n]:.6g}" for column in columns]
        row = [day.isoformat(), line.place.code, line.consumable.code, draft.stock.on_hand[n], line.par, line.floor]
        row += [*figures, draft.target[n], draft.top_up[n]]
        writer.writerow(row + ([f"{p:.9g}" for p in total[n]] if with_pmf else []))
    return len(draft.forecast.frame.lines)
