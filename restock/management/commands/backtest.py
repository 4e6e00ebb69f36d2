"""manage.py backtest --from DATE --to DATE [--csv FILE]: was the forecast right on our own log?"""

import csv
from argparse import ArgumentTypeError
from datetime import date
from pathlib import Path

from django.core.management.base import CommandError
from django.utils import timezone
from tqdm import tqdm

from inventory.importing.loading import amount
from restock.backtesting.accuracy import judge
from restock.backtesting.backtest import LEVELS, Backtest
from restock.forecasting.scoring import Estimate
from restock.management.base import DepartmentCommand, refuse_unwritable

COLUMNS = ("date", "place", "code", "actual", "q50", "q90", "q95", "q99", "mean", "crps")
COLUMNS += ("pit_low", "pit_high", "p_short", "short")


class Command(DepartmentCommand):
    help = (
        "Judge the forecast on past days, knowing only what was known on each evening before, beside the rules a "
        "department would use instead. The judgement is kept: a kind of line that ran short too often is widened."
    )

    def add_arguments(self, parser):
        super().add_arguments(parser)
        parser.add_argument("--from", dest="first", type=_day, required=True, metavar="DATE")
        parser.add_argument("--to", dest="last", type=_day, required=True, metavar="DATE")
        parser.add_argument("--csv", type=Path, metavar="FILE", help="Write one row for each line and day.")

    def handle(self, *, department, first, last, **options):
        if last < first:
            raise CommandError(f"{last} lies before {first}: give the earlier day first.")
        department = self.department(department)
        if options["csv"]:
            refuse_unwritable(options["csv"])
        with tqdm(total=(last - first).days + 1, unit="day", disable=None) as bar:
            found = judge(
                department,
                first=first,
                last=last,
                at=timezone.now(),
                progress=lambda day: bar.update((day - first).days + 1 - bar.n),
            )
        if found is None:
            raise CommandError("No day in that time has a case list and enough logged days before it.")
        judged = found.backtest
        self._report(judged, found.against, found.rng)
        for kind in [calibration.kind for calibration in found.calibrations if not calibration.passed]:
            self.stdout.write(f"Widened from the next plan on: {kind or 'lines without a category'}")
        if options["csv"]:
            self.stdout.write(f"{amount(_write(options['csv'], judged), 'row')}: {options['csv']}")

    def _report(self, judged: Backtest, against: dict[str, dict[str, Estimate]], rng) -> None:
        days = [evening.day for evening in judged.evenings]
        self.stdout.write(
            f"{amount(len(days), 'day')} from {days[0]} to {days[-1]}, {amount(len(judged.frame.lines), 'line')} each."
        )
        self.stdout.write(
            "\nCoverage, observed minus the forecast's own, in days of a hundred (95% interval over days)"
        )
        self.stdout.write(f"{'':34}" + "".join(f"{f'at {level:g}':>22}" for level in LEVELS) + f"{'CRPS':>10}")
        for found in judged.calibration(rng):
            gaps = "".join(f"{_points(gap):>22}" for gap in found.gap)
            self.stdout.write(f"{(found.kind or '(no category)')[:33]:34}{gaps}{found.crps.value:>10.4f}")
        self.stdout.write("\nThe forecast's score as a share of each rule's: below 1 the forecast is better")
        for rule, scores in against.items():
            shown = ", ".join(f"{score} {_ratio(estimate)}" for score, estimate in scores.items())
            self.stdout.write(f"{rule}: {shown}")
        brier, error = judged.stock_out_calibration()
        self.stdout.write(
            f"\nP(short) from par: Brier score {brier:.5f}, calibration error {100 * error:.2f} in a hundred"
        )


def _day(text: str) -> date:
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise ArgumentTypeError(f"{text} is not a day. Write it as 2026-03-05.") from None


def _points(gap: Estimate) -> str:
    return f"{100 * gap.value:+.1f} ({100 * gap.low:+.1f} to {100 * gap.high:+.1f})"


def _ratio(ratio: Estimate) -> str:
    return f"{ratio.value:.3f} ({ratio.low:.3f} to {ratio.high:.3f})"


def _write(path: Path, judged: Backtest) -> int:
    try:
        with path.open("w", newline="", encoding="utf-8") as file:
            writer = csv.writer(file)
            writer.writerow(COLUMNS)
            for evening in judged.evenings:
                for n, line in enumerate(judged.frame.lines):
                    levels = [evening.median[n], *evening.quantile[:, n]]
                    shares = (
                        evening.mean,
                        evening.crps["forecast"],
                        evening.pit_low,
                        evening.pit_high,
                        evening.p_short,
                    )
                    row = [evening.day, line.place.code, line.consumable.code, evening.actual[n], *levels]
                    writer.writerow([*row, *(f"{share[n]:.6g}" for share in shares), int(evening.short[n])])
    except OSError as error:
        raise CommandError(f"{path} cannot be written: {error.strerror}.") from None
    return len(judged.evenings) * len(judged.frame.lines)
