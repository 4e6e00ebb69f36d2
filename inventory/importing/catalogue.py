"""The catalogue sheet: consumables, their size runs and their packs."""

from collections import defaultdict
from collections.abc import Sequence
from decimal import Decimal

from django.db.models import F
from django.utils.text import slugify
from django.utils.translation import gettext, gettext_noop, ngettext
from django.utils.translation import gettext_lazy as _

from inventory.importing import stand_ins
from inventory.importing.columns import Column
from inventory.importing.loading import Loading, Outcome, assign
from inventory.importing.problems import NOTHING, quoted
from inventory.importing.sheets import Row
from inventory.importing.values import Barcode, Choice, Code, Number, Text, Whole, YesNo
from inventory.models import (
    Basis,
    Connector,
    Consumable,
    Criticality,
    Latex,
    Owner,
    Packaging,
    Section,
    SingleUse,
    SizeRun,
)

LARGEST_POSITION = 9_999
SMALLEST_PRICE = Decimal("0.01")  # as the table keeps it

# The words of the file, which stay the same in every language of the site.
SECTION_OF = {section.name.lower().replace("_", " "): section for section in Section}

COLUMNS = (
    Column("code", _("The department's own code of the line"), Code(40), required=True, example="AJ01"),
    Column("name", _("What it is, without its size"), Text(160), required=True, example="Tracheal tube, cuffed"),
    Column(
        "section",
        _("Part of the work area. Left out: taken from the category, else special"),
        Choice(tuple(SECTION_OF)),
        example="airway",
    ),
    Column("category", _("Your own grouping"), Text(80), example="Airway - tracheal tube"),
    Column(
        "size_run",
        _("Name of the run of sizes it belongs to. The rows of a run stand in order, smallest first"),
        Text(60),
        example="Tracheal tube cuffed",
    ),
    Column("size", _("Its size, as it stands on the pack"), Text(60), example="7.0"),
    Column(
        "size_position",
        _("Its place in the run, from 1, where the order of the rows does not say it"),
        Whole(1, LARGEST_POSITION),
        example="3",
    ),
    Column("unit", _("What one piece is. Left out: each"), Text(40), example="each"),
    Column("pieces_per_pack", _("Pieces in one pack of the storeroom"), Whole(1, 100_000), example="10"),
    Column(
        "barcode",
        _("The code on that pack, as text: zeros in front count"),
        Barcode(),
        example="04012345678901",
    ),
    Column("critical", _("Yes for a line that must never run out. Left out: no"), YesNo(), example="yes"),
    Column(
        "basis",
        _("What makes a piece go. Left out: per_case"),
        Choice(tuple(Basis.values)),
        example="per_case",
    ),
    Column(
        "owner",
        _("Who supplies it; pharmacy means presence and date only. Left out: supply"),
        Choice(tuple(Owner.values)),
        example="supply",
    ),
    Column(
        "shelf_life_months",
        _("Usual for a new pack; the printed date always wins"),
        Whole(1, 600),
        example="60",
    ),
    Column(
        "latex",
        _("What the label states about natural rubber latex. Left out: not_stated"),
        Choice(tuple(Latex.values)),
        example="not_made_with",
    ),
    Column(
        "single_use",
        _("What the label states. Left out: yes"),
        Choice(tuple(SingleUse.values)),
        example="yes",
    ),
    Column(
        "connector",
        _("What it connects to. Left out: not_stated. A neuraxial line is replaced by a neuraxial one only"),
        Choice(tuple(Connector.values)),
        example="luer",
    ),
    Column(
        "price_per_piece",
        _("What one piece costs, in the local currency. Left out: not known"),
        Number(at_most=Decimal("99999999.99")),
        example="1.25",
    ),
    *stand_ins.COLUMNS,
)


# Where a sheet names no section: words of its category that tell it (common practice), first match first.
SECTION_WORDS = (
    ("breathing", Section.MACHINE),
    ("circuit", Section.MACHINE),
    ("filter", Section.MACHINE),
    ("suction", Section.SUCTION),
    ("monitor", Section.MONITORS),
    ("airway", Section.AIRWAY),
    ("laryngo", Section.AIRWAY),
    ("oxygen", Section.AIRWAY),
    ("vascular", Section.IV),
    ("infusion", Section.IV),
    ("cannula", Section.IV),
    ("fluid", Section.IV),
    ("syringe", Section.DRUG_SUPPLIES),
    ("label", Section.DRUG_SUPPLIES),
)


def load(rows: Sequence[Row], loading: Loading) -> Outcome:
    """Add and update the catalogue's lines; a line that the sheet does not name stays as it is.

    A column that the sheet does not have leaves what is recorded; a blank cell means the column's default. Raises
    SheetRefused with every problem, before anything is written.
    """
    lines = {line.code: line for line in loading.department.consumables.select_related("size_run")}
    _refuse_doubles(rows, loading)
    positions = _positions(rows, lines, loading)
    packs = _packs(rows, lines, loading)
    stand_ins.refuse_unknown(rows, lines, loading)
    loading.refuse_if_faulty()

    outcome = Outcome(rows=len(rows))
    runs = _runs(rows, loading, outcome)
    guessed = _write_lines(rows, lines, runs, positions, loading, outcome)
    if guessed:
        outcome.notes.append(
            ngettext(
                "The section of %(lines)s new line was taken from the category, or is special. Please check.",
                "The section of %(lines)s new lines was taken from the category, or is special. Please check.",
                guessed,
            )
            % {"lines": guessed}
        )
    _write_packs(packs, loading, outcome)
    stand_ins.write_stand_ins(rows, lines, loading, outcome)
    return outcome


def _refuse_doubles(rows: Sequence[Row], loading: Loading) -> None:
    first: dict[tuple[str, str], int] = {}
    for row in rows:
        for column in ("code", "barcode"):
            value = row[column]
            if value is not None and (earlier := first.setdefault((column, value), row.number)) != row.number:
                loading.problem(
                    row.number,
                    column,
                    gettext("%(value)s again, first in row %(earlier)s") % {"value": quoted(value), "earlier": earlier},
                    gettext("every %(column)s in one row only") % {"column": column},
                )


def _run_code(row: Row) -> str:
    return slugify(row["size_run"]) if row["size_run"] else ""


def _positions(rows: Sequence[Row], lines: dict[str, Consumable], loading: Loading) -> dict[str, int]:
    """Code -> position in its run. The order of the rows counts where the sheet names the whole run; a sheet that
    names a part of a known run leaves the known sizes in place and puts new ones behind them.
    """
    named = {row["code"] for row in rows}
    in_sheet: dict[str, list[Row]] = defaultdict(list)
    others: dict[str, set[int]] = defaultdict(set)
    for row in rows:
        if row["size_run"] and not _run_code(row):
            loading.problem(row.number, "size_run", quoted(row["size_run"]), gettext("a name with letters or digits"))
        elif row["size_run"]:
            in_sheet[_run_code(row)].append(row)
    for line in lines.values():
        if line.size_run and line.code not in named:
            others[line.size_run.code].add(line.size_position)

    positions: dict[str, int] = {}
    for run, members in in_sheet.items():
        if any(row["size_position"] for row in members):
            taken = dict.fromkeys(others[run])
            for row in members:
                position = row["size_position"]
                if position is None:
                    loading.problem(
                        row.number, "size_position", NOTHING, gettext("a position for every row of this run")
                    )
                elif position in taken:
                    by = (
                        gettext("row %(taken)s") % {"taken": taken[position]}
                        if taken[position]
                        else gettext("a size that this sheet does not name")
                    )
                    loading.problem(
                        row.number,
                        "size_position",
                        gettext("%(position)s, which %(by)s has") % {"position": position, "by": by},
                        gettext("one position for each size"),
                    )
                else:
                    taken[position] = row.number
                    positions[row["code"]] = position
        elif not others[run]:
            positions.update({row["code"]: place for place, row in enumerate(members, start=1)})
        else:
            for row in members:
                line = lines.get(row["code"])
                if line and line.size_run and line.size_run.code == run:
                    positions[row["code"]] = line.size_position
            last = max([*others[run], *(positions.get(row["code"], 0) for row in members)])
            for row in members:
                if row["code"] not in positions:
                    last += 1
                    positions[row["code"]] = last
    return positions


def _packs(rows: Sequence[Row], lines: dict[str, Consumable], loading: Loading) -> list[tuple[str, int | None, str]]:
    """(code, pieces per pack or None, barcode or "") of the rows that say something about a pack."""
    codes = {line.pk: line.code for line in lines.values()}
    owner = {pack.barcode: codes[pack.consumable_id] for pack in loading.department.packagings.all() if pack.barcode}
    packs = []
    for row in rows:
        barcode = row["barcode"] or ""
        if owner.get(barcode, row["code"]) != row["code"]:
            loading.problem(
                row.number,
                "barcode",
                gettext("%(barcode)s, which belongs to %(owner)s")
                % {"barcode": quoted(barcode), "owner": quoted(owner[barcode])},
                gettext("a barcode that no other line has"),
            )
        elif barcode or row["pieces_per_pack"]:
            packs.append((row["code"], row["pieces_per_pack"], barcode))
    return packs


def _runs(rows: Sequence[Row], loading: Loading, outcome: Outcome) -> dict[str, SizeRun]:
    runs = {run.code: run for run in loading.department.size_runs.all()}
    new = {}
    for row in rows:
        code = _run_code(row)
        if code and code not in runs and code not in new:
            new[code] = SizeRun(department=loading.department, code=code, name=row["size_run"])
    SizeRun.objects.bulk_create(new.values())
    outcome.counts[gettext_noop("size runs added")] += len(new)
    return runs | new


def _write_lines(
    rows: Sequence[Row],
    lines: dict[str, Consumable],
    runs: dict[str, SizeRun],
    positions: dict[str, int],
    loading: Loading,
    outcome: Outcome,
) -> int:
    """Returns the number of new lines whose section had to be guessed."""
    new, updated, moved, guessed = [], [], [], 0
    for row in rows:
        values = _values(row, loading)
        if loading.table.has("size_run"):
            run = runs.get(_run_code(row))
            values |= {"size_run_id": run and run.pk, "size_position": positions.get(row["code"])}
        line = lines.get(row["code"])
        if line is None:
            if "section" not in values:
                values["section"] = _section_of_category(row["category"])
                guessed += 1
            new.append(Consumable(department=loading.department, code=row["code"], **values))
            continue
        before = line.size_run_id, line.size_position
        if assign(line, values):
            updated.append(line)
            if before[0] is not None and before != (line.size_run_id, line.size_position):
                moved.append(line.pk)

    # Sizes that change places would meet in the middle, so they step aside first.
    Consumable.objects.filter(pk__in=moved).update(size_position=F("size_position") + LARGEST_POSITION + 1)
    if updated:
        Consumable.objects.bulk_update(updated, [*_values_of_all(), "size_run", "size_position"])
    Consumable.objects.bulk_create(new)
    lines.update({line.code: line for line in new})
    outcome.counts[gettext_noop("lines added")] += len(new)
    outcome.counts[gettext_noop("lines updated")] += len(updated)
    return guessed


DEFAULTS = {
    "category": "",
    "size": "",
    "unit": "each",
    "basis": Basis.PER_CASE,
    "owner": Owner.SUPPLY,
    "shelf_life_months": None,
    "latex": Latex.NOT_STATED,
    "single_use": SingleUse.YES,
    "connector": Connector.NOT_STATED,
    "price_per_piece": None,
}


def _values_of_all() -> list[str]:
    return ["name", "section", "criticality", *DEFAULTS]


def _values(row: Row, loading: Loading) -> dict[str, object]:
    """Field values of a row, without those whose column the sheet does not have."""
    values: dict[str, object] = {"name": row["name"]}
    for column, default in DEFAULTS.items():
        if loading.table.has(column):
            values[column] = default if row[column] is None else row[column]
    if values.get("price_per_piece") is not None:
        values["price_per_piece"] = values["price_per_piece"].quantize(SMALLEST_PRICE)
    if loading.table.has("critical"):
        values["criticality"] = Criticality.NEVER_OUT if row["critical"] else Criticality.ROUTINE
    if row["section"]:
        values["section"] = SECTION_OF[row["section"]]
    return values


def _section_of_category(category: str | None) -> Section:
    words = (category or "").casefold()
    return next((section for word, section in SECTION_WORDS if word in words), Section.SPECIAL)


def _write_packs(packs: list[tuple[str, int | None, str]], loading: Loading, outcome: Outcome) -> None:
    """Add packs; a barcode that is known has its pieces corrected, and one that is new joins the older ones."""
    lines = {line.code: line for line in loading.department.consumables.all()}
    of_line: dict[int, list[Packaging]] = defaultdict(list)
    for pack in loading.department.packagings.all():
        of_line[pack.consumable_id].append(pack)
    new, updated = [], []
    for code, pieces, barcode in packs:
        line = lines[code]
        known = of_line[line.pk]
        if not barcode and any(pack.pieces_per_pack == pieces for pack in known):
            continue  # such a pack is known already, perhaps by its barcode
        pack = next((pack for pack in known if barcode and pack.barcode == barcode), None)
        if pack is None:
            unmarked = [pack for pack in known if not pack.barcode and (not barcode or pack.pieces_per_pack == pieces)]
            pack = unmarked[0] if len(unmarked) == 1 else None
        if pack is None:
            new.append(
                Packaging(
                    department=loading.department,
                    consumable=line,
                    pieces_per_pack=pieces or 1,
                    barcode=barcode,
                )
            )
        elif assign(pack, {"barcode": barcode} | ({"pieces_per_pack": pieces} if pieces else {})):
            updated.append(pack)
    Packaging.objects.bulk_create(new)
    if updated:
        Packaging.objects.bulk_update(updated, ["barcode", "pieces_per_pack"])
    outcome.counts[gettext_noop("packs added")] += len(new)
    outcome.counts[gettext_noop("packs updated")] += len(updated)
