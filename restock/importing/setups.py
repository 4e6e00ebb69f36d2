"""The set-ups sheet: what is laid out for a case type or a booked extra, how likely opened, how many pieces then."""

from collections.abc import Sequence
from decimal import Decimal

from django.utils.text import slugify
from django.utils.translation import gettext, gettext_noop
from django.utils.translation import gettext_lazy as _

from inventory.importing.columns import Column
from inventory.importing.loading import Loading, Outcome, assign
from inventory.importing.lookups import Lookup
from inventory.importing.problems import NOTHING, quoted
from inventory.importing.sheets import Row
from inventory.importing.values import Choice, Code, Number, Probability, Text
from inventory.models import Basis
from restock.models import Extra, SetupStandard

BASES = (Basis.PER_CASE.value, Basis.PER_ROOM_DAY.value, Basis.PER_ROOM_WEEK.value)

COLUMNS = (
    Column("case_type", _("For which case type. Left out in a row for a booked extra with any case type"), Text(160),
           example="CT01"),
    Column("size_class", _("Only for this size class. Without a case type and an extra: the usual sizes of the class, "
           "with their shares as probability"), Text(80), example="child"),
    Column("extra", _("Only where this extra is booked; a new extra is made"), Text(50), example="arterial line set"),
    Column("code", _("Code of the line in the catalogue; or else a size run"), Code(40), example="AJ01"),
    Column("size_run", _("Size run of which one size is opened, as the size class says"), Text(60),
           example="Tracheal tube cuffed"),
    Column("probability", _("How often it is opened. Left out: 1, always"), Probability(), example="0.7"),
    Column("quantity", _("Pieces on average when it is opened. Left out: 1"),
           Number(at_most=Decimal(1_000)), example="1"),
    Column("basis", _("Opened for each case, or once for a room's day or week. Left out: as in the catalogue"),
           Choice(BASES), example="per_case"),
)  # fmt: skip

KEY_FIELDS = ("case_type_id", "size_class_id", "extra_id", "consumable_id", "size_run_id")
VALUE_FIELDS = ("probability", "quantity", "basis")


def load(rows: Sequence[Row], loading: Loading) -> Outcome:
    """Set the standard of every case type and extra that the sheet names, and leave the others as they are.

    A sheet holds the whole standard of what it names: rows that are recorded and no longer in it are removed. Raises
    SheetRefused with every problem, before anything is written.
    """
    department = loading.department
    lookups = {
        "case_type": Lookup(gettext("a known case type"), department.case_types.all()),
        "size_class": Lookup(gettext("a known size class"), department.size_classes.all()),
        "size_run": Lookup(gettext("a size run of the catalogue"), department.size_runs.all()),
        "code": Lookup(gettext("a code of the catalogue"), department.consumables.all()),
    }
    extras = Lookup(gettext("a known extra"), department.extras.all())
    outcome = Outcome(rows=len(rows))
    wanted = _check(rows, lookups, extras, loading)
    loading.refuse_if_faulty()

    _make_extras(rows, extras, loading, outcome)
    standards = {}
    for row, found in wanted:
        extra = extras.find(row["extra"]) if row["extra"] else None
        consumable = found.get("code")
        things = (found.get("case_type"), found.get("size_class"), extra, consumable, found.get("size_run"))
        standards[tuple(thing and thing.pk for thing in things)] = {
            "probability": float(1 if row["probability"] is None else row["probability"]),
            "quantity": float(1 if row["quantity"] is None else row["quantity"]),
            "basis": row["basis"] or (consumable.basis if consumable and consumable.basis in BASES else Basis.PER_CASE),
        }
    _write(standards, loading, outcome)
    return outcome


def _check(
    rows: Sequence[Row], lookups: dict[str, Lookup], extras: Lookup[Extra], loading: Loading
) -> list[tuple[Row, dict[str, object]]]:
    """Rows with what their words mean; problems go to the table."""
    wanted = []
    first: dict[tuple, int] = {}
    for row in rows:
        found: dict[str, object] = {}
        for column, lookup in lookups.items():
            word = row[column]
            if word is None:
                continue
            found[column] = lookup.find(word)
            if found[column] is None:
                loading.problem(row.number, column, quoted(word), lookup.expected(word))
        if row["extra"] and not slugify(row["extra"]):
            loading.problem(row.number, "extra", quoted(row["extra"]), gettext("words with letters"))
        if row["code"] and row["size_run"]:
            loading.problem(row.number, "size_run", quoted(row["size_run"]), gettext("a code or a size run, not both"))
        if not row["code"] and not row["size_run"]:
            loading.problem(row.number, "code", NOTHING, gettext("the code of a line, or a size run in its own column"))
        if not row["case_type"] and not row["extra"] and not (row["size_class"] and row["code"]):
            expected = gettext("a case type, or an extra, or a size class together with the code of one size")
            loading.problem(row.number, "case_type", NOTHING, expected)
        for column in ("probability", "quantity"):
            if row[column] == 0:
                loading.problem(row.number, column, "0", gettext("more than 0; take the row out if it is never opened"))
        if row["size_run"] and row["basis"] not in (None, Basis.PER_CASE):
            loading.problem(
                row.number, "basis", quoted(row["basis"]), gettext("per_case for a size run, or one code instead")
            )
        extra = row["extra"] and (extras.find(row["extra"]) or slugify(row["extra"]))
        key = (*(found.get(column) for column in lookups), extra)
        if None not in found.values() and (earlier := first.setdefault(key, row.number)) != row.number:
            loading.problem(
                row.number,
                "code",
                gettext("the same as in row %(earlier)s") % {"earlier": earlier},
                gettext("every row of a standard once"),
            )
        wanted.append((row, found))
    return wanted


def _make_extras(rows: Sequence[Row], extras: Lookup[Extra], loading: Loading, outcome: Outcome) -> None:
    made = []
    for row in rows:
        if row["extra"] and extras.find(row["extra"]) is None:
            extra, new = Extra.objects.get_or_create(
                department=loading.department, code=slugify(row["extra"]), defaults={"name": row["extra"]}
            )
            extras.add(extra)
            made += [extra.name] if new else []
    outcome.counts[gettext_noop("extras added")] += len(made)
    if made:
        outcome.notes.append(gettext("Extras that were not known before: %(made)s.") % {"made": ", ".join(made)})


def _write(standards: dict[tuple, dict[str, object]], loading: Loading, outcome: Outcome) -> None:
    existing = {
        tuple(getattr(standard, field) for field in KEY_FIELDS): standard
        for standard in SetupStandard.objects.in_department(loading.department)
    }
    new, changed = [], []
    for key, values in standards.items():
        standard = existing.get(key)
        if standard is None:
            new.append(SetupStandard(**dict(zip(KEY_FIELDS, key, strict=True)), **values))
        elif assign(standard, values):
            changed.append(standard)
    covered = {_holder(key) for key in standards}
    gone = [standard.pk for key, standard in existing.items() if key not in standards and _holder(key) in covered]

    SetupStandard.objects.filter(pk__in=gone).delete()
    SetupStandard.objects.bulk_create(new)
    if changed:
        SetupStandard.objects.bulk_update(changed, VALUE_FIELDS)
    outcome.counts[gettext_noop("set-up rows added")] += len(new)
    outcome.counts[gettext_noop("set-up rows updated")] += len(changed)
    outcome.counts[gettext_noop("set-up rows removed")] += len(gone)


def _holder(key: tuple) -> tuple:
    """Whose standard a row belongs to: a case type's, or else an extra's, or else a size class's."""
    case_type, size_class, extra, _, _ = key
    if case_type is not None:
        return ("case type", case_type)
    return ("size class", size_class) if extra is None else ("extra", extra)
