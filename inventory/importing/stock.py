"""The stock sheet: what each cart and storeroom keeps, how much of it, and what was counted there now."""

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import datetime

from django.db.models import Max
from django.utils.translation import gettext, gettext_noop, ngettext
from django.utils.translation import gettext_lazy as _

from inventory import ledger
from inventory.importing.columns import Column
from inventory.importing.loading import Loading, Outcome, assign, known
from inventory.importing.places import cartless_note, make_bins
from inventory.importing.problems import NOTHING, quoted
from inventory.importing.sheets import Row
from inventory.importing.values import Choice, Code, Date, LotNumber, Whole
from inventory.importing.ways import ways
from inventory.models import Consumable, Count, Lot, Movement, Place, StockingLine
from inventory.recalls import hold_if_recalled, recalled_lines

COLUMNS = (
    Column("place", _("Code of the cart or storeroom"), Code(40), required=True, example="OR1-cart"),
    Column("code", _("Code of the line in the catalogue"), Code(40), required=True, example="AJ01"),
    Column("bin", _("Drawer or shelf that it lies in; a new one is made"), Code(40), example="drawer 2"),
    Column("par", _("Pieces that a restock fills to. Needed where the place did not keep the line before"),
           Whole(), example="5"),
    Column("floor", _("Pieces that must always stay, whatever the forecast says. Left out: 0"), Whole(), example="1"),
    Column("capacity", _("Pieces that the bin can hold. Left out: no limit is known"), Whole(1), example="8"),
    Column("on_hand", _("Pieces counted now. Left out: not counted"), Whole(), example="4"),
    Column("lot", _("Lot on the pack, where stock is kept by lot: one row for each lot, par in the first"),
           LotNumber(), example="L7423"),
    Column("expires_on", _("Last day on which that lot may be used"), Date(), example="2027-03-31"),
    Column("tracking", _("Whether people keep its dates here by lot or read the earliest one only. Left out: as it is, "
           "by lot for a new line"), Choice(tuple(StockingLine.Tracking.values)), example="earliest_date"),
)  # fmt: skip

LINE_COLUMNS = ("bin", "par", "floor", "capacity", "tracking")


@dataclass
class _Told:
    """What the rows of one line at one place say together."""

    place: Place
    consumable: Consumable
    row: int
    values: dict[str, object] = field(default_factory=dict)
    rows: dict[str, int] = field(default_factory=dict)
    lots: dict[str | None, Row] = field(default_factory=dict)

    @property
    def counted_rows(self) -> list[Row]:
        return [row for row in self.lots.values() if row["on_hand"] is not None]


def load(rows: Sequence[Row], loading: Loading, *, only_pars: bool = False) -> Outcome:
    """Set par, floor, capacity and bin of stocking lines, and record what was counted.

    The same file again counts nothing again. Lines of a place that the sheet does not name stay as they are.
    `only_pars` leaves counts and lots alone. Raises SheetRefused with every problem, before anything is written.
    """
    places = {place.code: place for place in loading.department.places.all() if not place.is_virtual}
    consumables = {line.code: line for line in loading.department.consumables.all()}
    told = _gather(rows, places, consumables, loading)
    lines = {
        (line.place_id, line.consumable_id): line
        for line in StockingLine.objects.filter(place__in=places.values()).select_related("bin")
    }
    lots = {
        (lot.consumable_id, lot.number): lot for lot in Lot.objects.filter(consumable__in={t.consumable for t in told})
    }
    _check(told, lines, lots, loading)
    loading.refuse_if_faulty()

    outcome = Outcome(rows=len(rows))
    _write_lines(told, lines, loading, outcome)
    if not only_pars:
        _write_lots(told, lots, outcome)
        _write_counts(told, lots, loading, outcome)
        _hold_recalled(told, lots, loading, outcome)
    outcome.notes += cartless_note(loading.department, {t.place for t in told})
    named = {(t.place.pk, t.consumable.pk) for t in told}
    unnamed = sum(key not in named for key in lines if key[0] in {place for place, _ in named})
    if unnamed:
        outcome.notes.append(
            ngettext(
                "These places keep %(lines)s more line that the file does not name: what they keep stays. Set par to "
                "0 to stop filling one up.",
                "These places keep %(lines)s more lines that the file does not name: what they keep stays. Set par to "
                "0 to stop filling one up.",
                unnamed,
            )
            % {"lines": unnamed}
        )
    return outcome


def _gather(
    rows: Sequence[Row], places: dict[str, Place], consumables: dict[str, Consumable], loading: Loading
) -> list[_Told]:
    told: dict[tuple[str, str], _Told] = {}
    for row in rows:
        place, consumable = places.get(row["place"]), consumables.get(row["code"])
        if place is None:
            expected = known(gettext("the code of a cart or storeroom"), row["place"], places)
            loading.problem(row.number, "place", quoted(row["place"]), expected)
        if consumable is None:
            expected = known(gettext("a code of the catalogue"), row["code"], consumables)
            loading.problem(row.number, "code", quoted(row["code"]), expected)
        if place is None or consumable is None:
            continue
        line = told.setdefault((place.code, consumable.code), _Told(place, consumable, row.number))
        if (earlier := line.lots.setdefault(row["lot"], row)) is not row:
            again = gettext("lot %(lot)s") % {"lot": quoted(row["lot"])} if row["lot"] else quoted(row["code"])
            loading.problem(
                row.number,
                "lot" if row["lot"] else "code",
                gettext("%(again)s of this place again, first in row %(number)s")
                % {"again": again, "number": earlier.number},
                gettext("one row for each line of a place, or one for each lot of it"),
            )
        for column in LINE_COLUMNS:
            if row[column] is None:
                continue
            if line.values.setdefault(column, row[column]) != row[column]:
                loading.problem(
                    row.number,
                    column,
                    quoted(row[column]),
                    gettext("nothing, or the same as in row %(rows)s: it is the same line of the same place")
                    % {"rows": line.rows[column]},
                )
            line.rows.setdefault(column, row.number)
    return list(told.values())


def _check(
    told: list[_Told],
    lines: dict[tuple[int, int], StockingLine],
    lots: dict[tuple[int, str], Lot],
    loading: Loading,
) -> None:
    dated: dict[tuple[int, str], tuple[object, int]] = {}
    for line in told:
        existing = lines.get((line.place.pk, line.consumable.pk))
        values = _line_values(line, existing, loading)
        if "par" not in values:
            loading.problem(line.row, "par", NOTHING, gettext("the pieces that a restock fills to, for a new line"))
        capacity = values.get("capacity")
        for column in ("par", "floor"):
            if capacity is not None and values.get(column, 0) > capacity:
                row = line.rows.get(column) or line.rows.get("capacity") or line.row
                loading.problem(
                    row,
                    column,
                    quoted(values[column]),
                    gettext("at most the capacity of the bin, which is %(capacity)s") % {"capacity": capacity},
                )
        for number, row in line.lots.items():
            if number is None:
                if row["expires_on"] is not None:
                    loading.problem(row.number, "lot", NOTHING, gettext("the lot that has this date, or no date"))
                continue
            if row["on_hand"] is None:
                loading.problem(row.number, "on_hand", NOTHING, gettext("the pieces of this lot that were counted"))
            if row["expires_on"] is None:
                continue
            key = (line.consumable.pk, number)
            recorded = lots.get(key)
            first, where = dated.setdefault(key, (row["expires_on"], row.number))
            if first != row["expires_on"]:
                loading.problem(
                    row.number,
                    "expires_on",
                    quoted(row["expires_on"]),
                    gettext("%(first)s, as for this lot in row %(where)s") % {"first": first, "where": where},
                )
            elif recorded and recorded.expires_on not in (None, row["expires_on"]):
                loading.problem(
                    row.number,
                    "expires_on",
                    quoted(row["expires_on"]),
                    gettext("%(expires_on)s, which is recorded for this lot: read the pack, and correct one of them")
                    % {"expires_on": recorded.expires_on},
                )


def _line_values(line: _Told, existing: StockingLine | None, loading: Loading) -> dict[str, object]:
    """par, floor and capacity as they will stand. A column that is not in the sheet changes nothing."""
    values = {}
    for column, default in (("par", None), ("floor", 0), ("capacity", None)):
        if column in line.values:
            values[column] = line.values[column]
        elif existing and (column == "par" or not loading.table.has(column)):
            values[column] = getattr(existing, column)
        elif column != "par":
            values[column] = default
    return values


def _write_lines(
    told: list[_Told], lines: dict[tuple[int, int], StockingLine], loading: Loading, outcome: Outcome
) -> None:
    bins = make_bins(((line.place, line.values["bin"]) for line in told if "bin" in line.values), outcome)
    new, changed = [], []
    for line in told:
        existing = lines.get((line.place.pk, line.consumable.pk))
        values = _line_values(line, existing, loading)
        if loading.table.has("bin"):
            values["bin"] = bins.get((line.place.pk, line.values.get("bin")))
        if "tracking" in line.values:
            values["tracking"] = line.values["tracking"]
        if existing is None:
            new.append(StockingLine(place=line.place, consumable=line.consumable, **values))
        elif assign(existing, values):
            changed.append(existing)
    StockingLine.objects.bulk_create(new)
    if changed:
        StockingLine.objects.bulk_update(changed, ["par", "floor", "capacity", "bin", "tracking"])
    outcome.counts[gettext_noop("stocking lines added")] += len(new)
    outcome.counts[gettext_noop("stocking lines updated")] += len(changed)


def _write_lots(told: list[_Told], lots: dict[tuple[int, str], Lot], outcome: Outcome) -> None:
    new, dated = {}, {}
    for line in told:
        for number, row in line.lots.items():
            if number is None:
                continue
            key = (line.consumable.pk, number)
            lot = lots.get(key) or new.setdefault(key, Lot(consumable=line.consumable, number=number))
            if row["expires_on"] and assign(lot, {"expires_on": row["expires_on"]}) and key in lots:
                dated[key] = lot
    Lot.objects.bulk_create(new.values())
    lots.update(new)
    if dated:
        Lot.objects.bulk_update(dated.values(), ["expires_on"])
    outcome.counts[gettext_noop("lots added")] += len(new)
    outcome.counts[gettext_noop("lots given their date")] += len(dated)


def _hold_recalled(told: list[_Told], lots: dict[tuple[int, str], Lot], loading: Loading, outcome: Outcome) -> None:
    """Put lots out of reach that a recall means and that this sheet is the first to name."""
    recalled = recalled_lines({line.consumable.pk for line in told})
    held = set()
    for line in told:
        for number in line.lots if line.consumable.pk in recalled else ():
            lot = lots.get((line.consumable.pk, number))
            if lot and lot.quarantined_at is None and hold_if_recalled(lot, place=line.place, at=loading.at):
                held.add(number)
    if held:
        words = gettext("Recalled, and out of reach from now on: lots %(lots)s.")
        outcome.notes.append(words % {"lots": ", ".join(sorted(held))})


def _write_counts(told: list[_Told], lots: dict[tuple[int, str], Lot], loading: Loading, outcome: Outcome) -> None:
    counted = []
    for line in told:
        rows = line.counted_rows
        if not rows:
            continue
        by_lot = {lots[line.consumable.pk, row["lot"]].pk: row["on_hand"] for row in rows if row["lot"]}
        counted.append(
            ledger.Counted(
                place=line.place,
                consumable=line.consumable,
                pieces=sum(row["on_hand"] for row in rows),
                by_lot=by_lot or None,
                key=f"stock:{loading.source[:40]}:{rows[0].number}",
            )
        )
    moved = _moved_since_counted({told.place for told in counted})
    written = ledger.count_all(counted, by=loading.by, at=loading.at)
    outcome.counts[gettext_noop("lines counted")] += len(written)
    differing = [count for count in written if count.expected not in (0, count.counted)]
    if differing:
        outcome.notes.append(
            ngettext(
                "At %(differing)s of the %(lines)s line counted the record said something else; the count stands.",
                "At %(differing)s of the %(lines)s lines counted the record said something else; the count stands.",
                len(written),
            )
            % {"differing": len(differing), "lines": len(written)}
        )
    undone = sum((count.place_id, count.consumable_id) in moved for count in differing)
    if undone:
        outcome.notes.append(
            ngettext(
                "CHECK: %(lines)s line of these moved since the last count (picked, used or received), and on_hand "
                "takes that back. Where on_hand is older than those moves, %(way)s.",
                "CHECK: %(lines)s lines of these moved since the last count (picked, used or received), and on_hand "
                "takes that back. Where on_hand is older than those moves, %(way)s.",
                undone,
            )
            % {"lines": undone, "way": ways().only_pars}
        )


def _moved_since_counted(places: set[Place]) -> set[tuple[int, int]]:
    """Place and line, by primary key, of what was moved, used or received after its last count."""
    last = {
        (place, line): at
        for place, line, at in Count.objects.filter(place__in=places)
        .values_list("place_id", "consumable_id")
        .annotate(Max("at"))
        .order_by()
    }
    latest: dict[tuple[int, int], datetime] = {}
    moves = Movement.objects.exclude(kind=Movement.Kind.ADJUST)
    for end in ("source", "destination"):
        of_places = moves.filter(**{f"{end}__in": places})
        keyed = of_places.values_list(f"{end}_id", "consumable_id").annotate(Max("at")).order_by()
        for place, line, at in keyed:
            latest[place, line] = max(at, latest.get((place, line), at))
    return {key for key, at in last.items() if key in latest and latest[key] > at}
