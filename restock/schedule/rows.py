"""Case lists as spreadsheets.

Every column is private: an export can shift by a column, and then a name stands where a code should. So no message
ever repeats a cell of a case list; row and column say where to look.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from decimal import Decimal

from django.utils.translation import gettext
from django.utils.translation import gettext_lazy as _

from inventory.importing.columns import Column
from inventory.importing.loading import Loading
from inventory.importing.problems import NOT_SHOWN
from inventory.importing.sheets import Row
from inventory.importing.values import Choice, Clock, Code, Date, Number, Text, TextList, Unfit, Whole
from inventory.importing.xlsx import Progress
from restock.models import Case, SizeClass

from .privacy import booking_hash, size_class_at_the_door
from .slots import CaseSlot


@dataclass(frozen=True, slots=True)
class Sex:
    """Female or male, by word or first letter; a word for neither is no sex."""

    describes = _("female or male, or F or M, or unknown")

    def read(self, cell: object) -> str:
        word = str(cell).casefold()
        if word in ("f", "female"):
            return SizeClass.Sex.FEMALE
        if word in ("m", "male"):
            return SizeClass.Sex.MALE
        if word in ("x", "u", "other", "unknown", "not stated"):
            return ""
        raise Unfit(self.describes)


DROPPED = _("Read for the size class and then dropped")


def _column(name: str, meaning: str, type_, example: str, *, required: bool = False) -> Column:
    return Column(name, meaning, type_, required=required, private=True, example=example)


COLUMNS = (
    _column("date", _("Day of the list"), Date(), "2026-03-04", required=True),
    _column("room", _("Code of the room"), Code(40), "OR1", required=True),
    _column("start", _("Booked start"), Clock(), "08:30"),
    _column("order", _("Place in the room's list, from 1. Left out: by start, or else by row"), Whole(1, 999), "1"),
    _column("booking", _("Reference by which a later list finds the slot again. Only a keyed hash is kept"), Code(),
            ""),
    _column("case_type", _("Code or name of the case type"), Text(160), "CT01", required=True),
    _column("technique", _("Where it differs from the usual one of the case type"), Text(120), "spinal"),
    _column("size_class", _("Size class. Left out: from age, sex and weight, else the default"), Text(80), "child"),
    _column("age_years", DROPPED, Number(at_most=Decimal(130)), ""),
    _column("age_days", _("Read for the size class and then dropped; for the smallest"), Whole(at_most=50_000), ""),
    _column("sex", DROPPED, Sex(), ""),
    _column("weight_kg", _("Read for the size class and then dropped; counts where no age is given"),
            Number(Decimal("0.2"), Decimal(500)), ""),
    _column("extras", _("Booked extras, with semicolons between"), TextList(), "arterial line set; pacing magnet"),
    _column("urgency", _("Left out: elective"), Choice(tuple(Case.Urgency.values)), "elective"),
    _column("status", _("Left out: scheduled, or done for a day that is over"), Choice(tuple(Case.Status.values)),
            "scheduled"),
)  # fmt: skip

PERSONAL = ("age_years", "age_days", "sex", "weight_kg")


def read_slots(loading: Loading, progress: Progress | None = None) -> Iterator[CaseSlot]:
    """Yield the slots of a sheet. Faults go to the table's problems; a faulty row yields no slot."""
    classes = list(loading.department.size_classes.all())
    names_extras = loading.table.has("extras")
    for row in loading.table.rows(progress):
        fits, size_class = _size_class(row, classes, loading)
        if not fits:
            continue
        yield CaseSlot(
            row=row.number,
            date=row["date"],
            room=row["room"],
            case_type=row["case_type"],
            order=row["order"],
            starts_at=row["start"],
            booking_hash=booking_hash(loading.department, row["booking"]) if row["booking"] else "",
            technique=row["technique"],
            size_class=size_class,
            extras=(row["extras"] or ()) if names_extras else None,
            urgency=row["urgency"],
            status=row["status"],
        )


def _size_class(row: Row, classes: list[SizeClass], loading: Loading) -> tuple[bool, str | None]:
    """Whether the row's size makes sense, and the class as the row names it or as its data gives it."""
    if row["size_class"]:
        return True, row["size_class"]
    if all(row[column] is None for column in PERSONAL):
        return True, None
    size_class = size_class_at_the_door(
        classes,
        age_years=row["age_years"],
        age_days=row["age_days"],
        sex=row["sex"] or "",
        weight_kg=row["weight_kg"],
    )
    if size_class is None:
        column = next(column for column in PERSONAL if row[column] is not None)
        loading.problem(
            row.number,
            column,
            NOT_SHOWN,
            gettext("a value that one of the department's size classes covers, or a size class"),
        )
        return False, None
    return True, size_class.code
