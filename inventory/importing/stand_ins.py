"""What the catalogue sheet names to stand in for a line. Suggestions for people, never a permission."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Mapping, Sequence

from django.utils.translation import gettext, gettext_noop
from django.utils.translation import gettext_lazy as _

from inventory.importing.columns import Column
from inventory.importing.loading import Loading, Outcome, assign, known
from inventory.importing.problems import quoted
from inventory.importing.sheets import Row
from inventory.importing.values import Text, TextList
from inventory.models import Consumable, NamedStandIn

COLUMNS = (
    Column(
        "stand_ins",
        _("Codes of lines that may be thought of where this one is missing. A clinician has to agree to each"),
        TextList(),
        example="AJ02; AJ03",
    ),
    Column("stand_in_rule", _("On which condition, in a few words"), Text(120), example="next size; clinician decides"),
    Column("stand_in_source", _("Where that comes from"), Text(120), example="common practice"),
)


def refuse_unknown(rows: Sequence[Row], codes: Collection[str], loading: Loading) -> None:
    """Note a problem for every stand-in that is no line of the catalogue or of this sheet, or is the line itself."""
    codes = set(codes) | {row["code"] for row in rows}
    for row in rows:
        for code in row["stand_ins"] or ():
            if code == row["code"]:
                loading.problem(row.number, "stand_ins", quoted(code), gettext("another line than the row's own"))
            elif code not in codes:
                expected = known(gettext("codes of the catalogue"), code, codes)
                loading.problem(row.number, "stand_ins", quoted(code), expected)


def write_stand_ins(rows: Sequence[Row], lines: Mapping[str, Consumable], loading: Loading, outcome: Outcome) -> None:
    """Make what the catalogue names that of the sheet, row by row; a sheet without the column changes nothing."""
    if not loading.table.has("stand_ins"):
        return
    known_of: dict[int, dict[int, NamedStandIn]] = defaultdict(dict)
    for named in NamedStandIn.objects.filter(wanted__department=loading.department):
        known_of[named.wanted_id][named.stand_in_id] = named
    new, changed, gone = [], [], []
    for row in rows:
        wanted = lines[row["code"]]
        told = {"rule": row["stand_in_rule"] or "", "source": row["stand_in_source"] or ""}
        before = known_of.pop(wanted.pk, {})
        for code in row["stand_ins"] or ():
            named = before.pop(lines[code].pk, None)
            if named is None:
                new.append(NamedStandIn(wanted=wanted, stand_in=lines[code], **told))
            elif assign(named, told):
                changed.append(named)
        gone += before.values()
    NamedStandIn.objects.filter(pk__in=[named.pk for named in gone]).delete()
    if changed:
        NamedStandIn.objects.bulk_update(changed, ["rule", "source"])
    NamedStandIn.objects.bulk_create(new)
    outcome.counts[gettext_noop("stand-ins named")] += len(new)
    outcome.counts[gettext_noop("named stand-ins updated")] += len(changed)
    outcome.counts[gettext_noop("stand-ins no longer named")] += len(gone)
