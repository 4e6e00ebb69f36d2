"""The case types sheet: what is booked, and with which technique it is done."""

from collections.abc import Sequence

from django.utils.text import slugify
from django.utils.translation import gettext, gettext_noop
from django.utils.translation import gettext_lazy as _

from inventory.importing.columns import Column
from inventory.importing.loading import Loading, Outcome, assign
from inventory.importing.lookups import Lookup
from inventory.importing.problems import quoted
from inventory.importing.sheets import Row
from inventory.importing.values import Code, Text, Whole
from restock.models import CaseType, Technique

COLUMNS = (
    Column(
        "case_type", _("Your code of the case type, as case lists write it"), Code(40), required=True, example="CT01"
    ),
    Column("name", _("Its name. Left out: the code"), Text(160), example="Laparoscopic cholecystectomy"),
    Column("specialty", _("The specialty that books it"), Text(80), example="General surgery"),
    Column("technique", _("How it is usually done. Left out: not stated"), Text(80), example="GA, tracheal tube"),
    Column("typical_minutes", _("Minutes that it usually takes"), Whole(1, 2_880), example="110"),
)

NOT_STATED = "not stated"


def load(rows: Sequence[Row], loading: Loading) -> Outcome:
    """Add and update case types, and make techniques that are new. What the sheet does not name stays as it is.

    Raises SheetRefused with every problem, before anything is written.
    """
    techniques = Lookup(gettext("a technique"), loading.department.techniques.all())
    first: dict[str, int] = {}
    for row in rows:
        code = row["case_type"]
        if (earlier := first.setdefault(code, row.number)) != row.number:
            again = gettext("%(code)s again, first in row %(earlier)s") % {"code": quoted(code), "earlier": earlier}
            loading.problem(row.number, "case_type", again, gettext("every case type once"))
        if row["technique"] and not slugify(row["technique"]):
            loading.problem(row.number, "technique", quoted(row["technique"]), gettext("words with letters"))
    loading.refuse_if_faulty()

    outcome = Outcome(rows=len(rows))
    existing = {case_type.code: case_type for case_type in loading.department.case_types.select_related("technique")}
    new, changed = [], []
    for row in rows:
        case_type = existing.get(row["case_type"])
        values = {
            column: row[column] if row[column] is not None else empty
            for column, empty in (("name", row["case_type"]), ("specialty", ""), ("typical_minutes", None))
            if loading.table.has(column) or case_type is None
        }
        if case_type is None or row["technique"]:
            values["technique"] = _technique(row["technique"] or NOT_STATED, techniques, loading, outcome)
        if case_type is None:
            new.append(CaseType(department=loading.department, code=row["case_type"], **values))
        elif assign(case_type, values):
            changed.append(case_type)
    CaseType.objects.bulk_create(new)
    if changed:
        CaseType.objects.bulk_update(changed, ["name", "specialty", "technique", "typical_minutes"])
    outcome.counts[gettext_noop("case types added")] += len(new)
    outcome.counts[gettext_noop("case types updated")] += len(changed)
    return outcome


def _technique(words: str, techniques: Lookup[Technique], loading: Loading, outcome: Outcome) -> Technique:
    technique = techniques.find(words)
    if technique is None:
        # Two ways of writing may still meet in one code: "GA, tube" and "GA tube".
        technique, made = Technique.objects.get_or_create(
            department=loading.department, code=slugify(words), defaults={"name": words}
        )
        techniques.add(technique)
        outcome.counts[gettext_noop("techniques added")] += made
    return technique
