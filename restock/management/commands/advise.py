"""manage.py advise pars|policies|moves|orders|sizes|scarce: what could be changed, with figures. Proposals only."""

import csv
import re
from dataclasses import astuple, dataclass
from pathlib import Path

from django.core.management.base import CommandError
from django.utils import timezone

from restock.advising.pars import ParAdvice, advise_pars
from restock.advising.past import DAYS
from restock.advising.policies import compare_policies
from restock.advising.scarce import share_scarce
from restock.advising.sizes import size_readiness
from restock.advising.storerooms import COVER_CHANCE, OrderProposal, advise_orders
from restock.advising.tonight import advise_moves
from restock.learning.tallies import bring_forward
from restock.management.base import DepartmentCommand, day_argument, day_meant
from restock.models import Policy, policy_of
from restock.plans.planning import draft_plan
from restock.supervising.cover import keep_cover
from restock.supervising.par_advice import keep_advice

SHOWN = 20
NUMBER = re.compile(r"-?[\d.]+%?")
PROPOSALS = "These are proposals: no par, order or stock was changed."


@dataclass(frozen=True)
class ParRow:
    """A line of the table of pars: also the columns of --csv. Pieces, chances from 0 to 1, days of the horizon."""

    place: str
    code: str
    name: str
    par: int
    advised: int
    service_level: str
    p_short_now: str
    p_short_advised: str
    more_on_hand: str
    days_short_now: int
    days_short_advised: int
    pieces_short_now: int
    pieces_short_advised: int
    reason: str


class Command(DepartmentCommand):
    help = (
        "Advice from the department's own lists and log: pars, policies, moves, orders, sizes. Proposals only: no par, "
        "order or stock is changed. What was logged since the last time is learned from first."
    )

    def add_arguments(self, parser):
        super().add_arguments(parser)
        about = parser.add_subparsers(dest="about", metavar="ABOUT", required=True)
        pars = about.add_parser("pars", help="The smallest par of each cart line that lasts often enough.")
        pars.add_argument("--csv", type=Path, metavar="FILE", help="Write a row for every line to this file.")
        policies = about.add_parser("policies", help="Ways of setting the target, compared on past days.")
        for looks_back in (pars, policies):
            looks_back.add_argument(
                "--days", type=int, default=DAYS, metavar="N", help=f"Operating days to look back ({DAYS})."
            )
        orders = about.add_parser("orders", help="What the storerooms should order, and how long their stock lasts.")
        for on_a_page, what in ((pars, "the advice to be answered"), (orders, "the days of cover")):
            on_a_page.add_argument("--keep", action="store_true", help=f"Keep {what} for the pages: once a night, say.")
        for name, what in {
            "moves": "What is worth carrying between places the evening before, and what is likely to expire.",
            "sizes": "Whether every case finds a size that fits.",
            "scarce": "What neighbouring sizes could do where a run is short.",
        }.items():
            day_argument(about.add_parser(name, help=what))

    def handle(self, *, department, about, **options):
        self.at = timezone.now()
        self.of = self.department(department)
        if options.get("days", 1) < 1:
            raise CommandError("Look back at least one day: --days 28.")
        bring_forward(department=self.of, at=self.at)
        getattr(self, f"_{about}")(options)

    def _pars(self, options) -> None:
        try:
            advice = advise_pars(self.of, today=self.of.local_date(self.at), days=options["days"])
        except ValueError:
            raise CommandError(
                "No earlier day has both a list and a logged case: there is nothing to rest on."
            ) from None
        rows = _par_rows(advice)
        self.stdout.write(
            f"Pars for {self.of}. Horizon: {len(advice.days)} operating days, {advice.days[0]} to {advice.days[-1]}, "
            "forecast with what is known today. Pieces on all carts of an evening, filled up to par:"
        )
        self._table(
            ("", "pieces on carts", "line-days short", "pieces short"),
            [
                (name, f"{run.mean_on_hand.sum():.0f}", run.days_short.sum(), run.short.sum())
                for name, run in (("par as it is", advice.now), ("advised par", advice.then))
            ],
        )
        self.stdout.write("Those days are among those learned from; advise policies compares on days that are not.")
        changed = sorted((row for row in rows if row.par != row.advised), key=lambda row: -abs(row.par - row.advised))
        self.stdout.write(
            f"{sum(row.advised > row.par for row in changed)} lines higher, "
            f"{sum(row.advised < row.par for row in changed)} lower, {len(rows) - len(changed)} as they are. "
            "Largest changes, in pieces:"
        )
        self._table(
            ("cart", "line", "par", "advised", "days short", "then", "why"),
            [
                (r.place, f"{r.code} {r.name}", r.par, r.advised, r.days_short_now, r.days_short_advised, r.reason)
                for r in changed[:SHOWN]
            ],
        )
        if options["csv"]:
            _write_csv(options["csv"], rows)
            self.stdout.write(f"{len(rows)} lines: {options['csv']}")
        if options["keep"]:
            keep_advice(self.of, advice, at=self.at)
            self.stdout.write("Kept for the page on par advice.")
        self.stdout.write(PROPOSALS)

    def _policies(self, options) -> None:
        try:
            compared = compare_policies(self.of, today=self.of.local_date(self.at), days=options["days"])
        except ValueError as error:
            raise CommandError(str(error)) from None
        self.stdout.write(
            f"Policies for {self.of} on {len(compared.days)} operating days, {compared.days[0]} to "
            f"{compared.days[-1]}, with the pieces really used. Each evening's forecast knows nothing of its day; the "
            f"storerooms always have enough."
        )
        self.stdout.write(
            f"The advised par rests on the {len(compared.advised_from)} operating days before."
            if compared.advised_from
            else "No operating day before these: no advised par to compare."
        )
        columns = ("policy", "take-back", "pieces on carts", "line-days short", "of 1000", "pieces short")
        self._table(
            (*columns, "carried an evening", "taken back an evening"),
            [
                (
                    one.name,
                    "yes" if one.takes_back else "no",
                    f"{one.on_carts:.0f}",
                    one.line_days_short,
                    f"{1000 * one.line_days_short / one.line_days:.2f}",
                    one.pieces_short,
                    f"{one.carried:.0f}",
                    f"{one.taken_back:.0f}",
                )
                for one in compared.figures
            ],
        )

    def _moves(self, options) -> None:
        day = day_meant(options["day"], self.of)
        advice, policy = advise_moves(self.of, day), policy_of(self.of)
        self.stdout.write(
            f"Moves for the evening before {day}, {self.of}, beside the pick list. Gains are counted in missing "
            f"routine pieces; by assumption a piece moved costs {policy.handling_per_piece:g}, a walk "
            f"{policy.handling_per_walk:g}, a piece wasted {policy.wasted_piece:g}, an idle one {policy.idle_piece:g}."
        )
        self._walks("Between carts, where the storerooms are short", advice.between_carts)
        self._walks(f"Back to the storeroom, hardly needed within {advice.wait_days} days", advice.back_to_storeroom)
        self._walks("Swaps of short-dated pieces for longer-dated ones", advice.dates.swaps)
        wastes = advice.dates.wastes
        self.stdout.write(
            f"Dates within {advice.expiry_days} days: {sum(waste.pieces for waste in wastes)} pieces, "
            f"{sum(waste.expected for waste in wastes):.1f} likely to expire unused; the swaps save "
            f"{advice.dates.saved:.1f} of them on average."
        )
        self._table(
            ("place", "line", "last day", "pieces", "likely wasted", "chance of any"),
            [
                (w.place, w.consumable, w.expires_on, w.pieces, f"{w.expected:.2f}", f"{w.p_any:.0%}")
                for w in wastes[:SHOWN]
            ],
        )
        self.stdout.write(PROPOSALS)

    def _walks(self, title: str, walks) -> None:
        if not walks:
            self.stdout.write(f"{title}: nothing worth a walk.")
            return
        pieces = sum(move.pieces for walk in walks for move in walk.moves)
        self.stdout.write(f"{title}: {pieces} pieces on {len(walks)} walks, best first.")
        self._table(
            ("from", "to", "pieces", "line", "gain"),
            [
                (walk.source, walk.destination, move.pieces, move.consumable, f"{move.gain:.2f}")
                for walk in walks[:SHOWN]
                for move in walk.moves
            ],
        )

    def _orders(self, options) -> None:
        today = self.of.local_date(self.at)
        proposals = advise_orders(self.of, today=today)
        if not proposals:
            raise CommandError("No storeroom has a stocking line: load the department's par sheet first.")
        orders = [one for one in proposals if one.order_packs]
        self.stdout.write(
            f"Orders for {self.of}, reviewed on {today}: {len(orders)} of {len(proposals)} storeroom lines, soonest to "
            f"run out first. Usable pieces only; what open orders bring in time is counted as on order."
        )
        self.stdout.write(
            f"Days of cover: low to high with {COVER_CHANCE:.0%} chance each, likely in between; + means or more."
        )
        self._table(
            ("storeroom", "line", "usable", "owed", "a day", "level", "service", "order", "cover in days"),
            [_order_row(one) for one in orders],
        )
        if options["keep"]:
            keep_cover(self.of, proposals, at=self.at)
            self.stdout.write("Days of cover kept for the page on shortages.")
        self.stdout.write(PROPOSALS)

    def _sizes(self, options) -> None:
        day = day_meant(options["day"], self.of)
        policy = policy_of(self.of)
        found = size_readiness(draft_plan(self.of, day, policy=policy), policy)
        if not found:
            self.stdout.write(f"No listed case of {day} is likely to reach for a size run.")
            return
        self.stdout.write(
            f"Chance that some listed case of {day} finds no acceptable size, {self.of}. A size up to "
            f"{_steps(policy)} away in its run may stand in: that is a setting, and the clinician decides."
        )
        self._table(
            ("cart", "run", "cases", "before", "after tonight's picks", "stand-ins", "pieces after picks, by size"),
            [
                (
                    one.place,
                    one.run,
                    one.cases,
                    _chance(one.p_lacking, one.at_most),
                    _chance(one.p_lacking_after, one.at_most),
                    f"{one.p_substitute:.1f}",
                    ", ".join(f"{size.size}: {n}" for size, n in zip(one.sizes, one.after, strict=True)),
                )
                for one in found[:SHOWN]
            ],
        )
        low = sum(one.p_lacking_after < 0.01 for one in found)
        self.stdout.write(f"{low} of {len(found)} runs on carts are below 1 in 100 after tonight's picks.")

    def _scarce(self, options) -> None:
        day = day_meant(options["day"], self.of)
        policy = policy_of(self.of)
        answers = share_scarce(draft_plan(self.of, day, policy=policy), policy)
        self.stdout.write(
            f"{len(answers)} runs or lines are scarce for {day}. Stand-ins up to {_steps(policy)} away are shown "
            "only where they help: sizes never swap by themselves, the clinician decides."
        )
        for answer in answers:
            if answer.differs:
                self.stdout.write(
                    f"{answer.lines[0].consumable.name}: {answer.harm_by_plan:.1f} pieces (weighted) missing on "
                    f"average by the plan, {answer.harm:.1f} with:"
                )
                self._table(
                    ("cart", "wants", "could get", "pieces"),
                    [
                        (one.line.place, one.line.consumable.label, one.consumable.label, one.pieces)
                        for one in answer.sent
                        if one.stands_in
                    ],
                )
        if not any(answer.differs for answer in answers):
            self.stdout.write("The plan shares the scarce pieces as well as can be.")

    def _table(self, head, rows) -> None:
        """Columns as wide as what stands in them, numbers to the right."""
        cells = [[str(cell) for cell in row] for row in [head, *rows]]
        widths = [max(len(row[n]) for row in cells) for n in range(len(head))]
        numeric = [all(NUMBER.fullmatch(row[n]) for row in cells[1:]) for n in range(len(head))]
        for row in cells:
            columns = zip(row, widths, numeric, strict=True)
            text = "  ".join(cell.rjust(width) if right else cell.ljust(width) for cell, width, right in columns)
            self.stdout.write(f"  {text.rstrip()}")


def _par_rows(advice: ParAdvice) -> list[ParRow]:
    return [
        ParRow(
            place=line.place.code,
            code=line.consumable.code,
            name=line.consumable.label,
            par=line.par,
            advised=int(advice.advised[n]),
            service_level=f"{advice.service_level[n]:g}",
            p_short_now=f"{advice.p_short_now[n]:.4f}",
            p_short_advised=f"{advice.p_short_advised[n]:.4f}",
            more_on_hand=f"{advice.more_on_hand[n]:g}",
            days_short_now=int(advice.now.days_short[n]),
            days_short_advised=int(advice.then.days_short[n]),
            pieces_short_now=int(advice.now.short[:, n].sum()),
            pieces_short_advised=int(advice.then.short[:, n].sum()),
            reason=advice.reasons[n],
        )
        for n, line in enumerate(advice.lines)
    ]


def _write_csv(path: Path, rows: list[ParRow]) -> None:
    try:
        with path.open("w", newline="", encoding="utf-8") as file:
            writer = csv.writer(file)
            writer.writerow(ParRow.__dataclass_fields__)
            writer.writerows(astuple(row) for row in rows)
    except OSError as error:
        raise CommandError(f"{path} cannot be written: {error.strerror}.") from None


def _order_row(one: OrderProposal) -> tuple:
    low, likely, high = one.cover
    order = f"{one.order_packs} x {one.pieces_per_pack} = {one.order_pieces}"
    cover = f"{low} / {likely} / {high}{'+' if one.cover_open else ''}"
    mean = f"{one.mean_per_day:.1f}"
    return one.place.code, one.consumable, one.usable, one.owed, mean, one.level, f"{one.reached:.1%}", order, cover


def _chance(p: float, at_most: bool) -> str:
    return f"{'at most ' if at_most else ''}{p:.1%}"


def _steps(policy: Policy) -> str:
    return f"{policy.neighbour_steps} {'step' if policy.neighbour_steps == 1 else 'steps'}"
