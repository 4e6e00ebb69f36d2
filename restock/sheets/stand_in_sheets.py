"""Stand-ins proposed on paper: what is missing goes out with what the catalogue names for it, and proposals come back.

A row that comes back becomes a card that waits for a clinician, proposed by whoever brings the sheet. Nobody agrees to
anything on a sheet.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date, datetime

from django.core.exceptions import ValidationError
from django.db import transaction
from django.utils import dateformat
from django.utils.translation import gettext as _
from django.utils.translation import gettext_noop, ngettext

from inventory.importing.loading import known
from inventory.importing.problems import NOT_SHOWN, NOTHING, Problem, SheetRefused, quoted
from inventory.importing.values import Date, Text, YesNo
from inventory.models import Consumable, Department, NamedStandIn
from inventory.scanning import looks_scanned

from ..models import Plan, Substitution
from ..stock_life.named_stand_ins import lines_to_replace, named_for, with_a_card
from ..stock_life.substitutions import Differences, NotAllowed, differences, forbidden, propose
from ..workbook import Paper
from ..workbook.forms import Answer, Asked, Column, Filled, Form, Row, StockText, write_form

FIRST_DAY, LAST_DAY = date(2000, 1, 1), date(2099, 12, 31)
LONGEST_CODE, LONGEST_WORDS, LONGEST_WHY = 40, 200, 120
OTHER_ROWS = 5
KINDS = ("size", "connector", "latex", "single_use")

STAND_INS = Form(
    kind="stand-ins",
    title=gettext_noop("Stand-ins to propose"),
    printed=(
        Column(gettext_noop("Code"), 9, bold=True, identifies=True),
        Column(gettext_noop("Missing"), 28),
        Column(gettext_noop("What the catalogue names, and how it differs"), 40),
    ),
    asked=(
        Asked(
            "missing",
            gettext_noop("Missing, if another line"),
            Text(LONGEST_CODE),
            13,
            hint=gettext_noop("Only in the rows at the end: the code of the line that is missing."),
        ),
        Asked(
            "stand_in",
            gettext_noop("May stand in"),
            Text(LONGEST_CODE),
            10,
            hint=gettext_noop("The code of the line that may stand in. One way only."),
        ),
        Asked(
            "in_words",
            gettext_noop("What differs, in words"),
            StockText(LONGEST_WORDS),
            26,
            hint=gettext_noop("For whoever picks it up. Empty: what the catalogue says."),
        ),
        Asked("size", gettext_noop("Size differs"), YesNo(), 8, hint=gettext_noop("yes where the packs differ.")),
        Asked("connector", gettext_noop("Connector differs"), YesNo(), 10, hint=gettext_noop("yes where they differ.")),
        Asked("latex", gettext_noop("Latex differs"), YesNo(), 8, hint=gettext_noop("yes where the labels differ.")),
        Asked(
            "single_use",
            gettext_noop("Use differs"),
            YesNo(),
            8,
            hint=gettext_noop("yes where one is used more often than the other."),
        ),
        Asked("until", gettext_noop("Until"), Date(FIRST_DAY, LAST_DAY), 11, hint=gettext_noop("The last day.")),
        Asked("why", gettext_noop("Why"), StockText(LONGEST_WHY), 20, hint=gettext_noop("About the stock only.")),
    ),
    how_to=gettext_noop(
        "Codes that stand there already are named by the catalogue and propose nothing by themselves: a row counts "
        "once it has its last day. Copy a row to propose a second stand-in. What the catalogue knows to differ is "
        "marked whatever is written."
    ),
    cautions=(
        gettext_noop("One way only. A clinician other than the proposer has to agree on the page."),
        gettext_noop("Sizes never swap by themselves. Luer and neuraxial connectors never stand in for each other."),
    ),
    repeats=True,
)


@dataclass(frozen=True, slots=True)
class _Proposed:
    """One row as it is understood."""

    answer: Answer
    wanted: Consumable
    stand_in: Consumable
    in_words: str

    @property
    def content(self) -> tuple:
        return self.wanted.pk, self.stand_in.pk, self.in_words, self.answer["until"]


def write_proposals(
    department: Department, plan: Plan | None, *, on: date, at: datetime, every: bool = False, paper: Paper = Paper.A4
) -> bytes:
    """A row for each line that is missing and each stand-in that the catalogue names for it and no card is about.

    every: all lines for which the catalogue names one, missing or not.
    """
    if every:
        lines = list(
            department.consumables.filter(named_stand_ins__isnull=False).distinct().order_by("section", "code")
        )
    else:
        lines = lines_to_replace(department, plan, on=on)
    named, taken = named_for([line.pk for line in lines]), with_a_card(department, on=on)
    rows = []
    for line in lines:
        offered = [one for one in named.get(line.pk, ()) if (one.wanted_id, one.stand_in_id) not in taken]
        rows += [_named_row(one) for one in offered] or [Row(key=f"{line.pk}-0", printed=(line.code, line.label, ""))]
    other = _("another line")
    rows += [Row(key=f"other-{n}", printed=("", other, "")) for n in range(1, OTHER_ROWS + 1)]
    return write_form(
        STAND_INS,
        rows,
        department=department,
        about="stand-ins",
        lines=[dateformat.format(on, _("l j F Y"))],
        made_at=at,
        paper=paper,
    )


@transaction.atomic
def apply_proposals(filled: Filled, *, department: Department, by, at: datetime) -> str:
    """Propose what a sheet says, all or nothing; what it proposed before is not proposed again. Says so in words.

    Raises SheetRefused with every problem.
    """
    problems: list[Problem] = []
    rows = _read(filled, department, problems, today=department.local_date(at))
    since = Substitution.objects.filter(department=department, proposed_at__gte=filled.made_at)
    before = set(since.values_list("wanted", "stand_in", "differences", "until"))
    done = again = 0
    for row in rows:
        if row.content in before:
            again += 1
            continue
        try:
            _propose(row, by=by, at=at)
        except (NotAllowed, ValidationError) as refused:
            words = " ".join(refused.messages) if isinstance(refused, ValidationError) else str(refused)
            problems.append(row.answer.problem("stand_in", quoted(row.stand_in.code), words.rstrip(".")))
        else:
            done += 1
    if problems:
        raise SheetRefused(*problems)
    said = ngettext(
        "%(cards)d card proposed: it holds once a clinician has agreed.",
        "%(cards)d cards proposed: each holds once a clinician has agreed.",
        done,
    ) % {"cards": done}
    if again:
        said += " " + ngettext(
            "%(rows)d row was proposed before.", "%(rows)d rows were proposed before.", again
        ) % {"rows": again}  # fmt: skip
    return said


def _named_row(one: NamedStandIn) -> Row:
    found = differences(one.wanted, one.stand_in)
    said = "; ".join([one.stand_in.label, *found.words, *filter(None, [one.rule, one.source])])
    return Row(
        key=f"{one.wanted_id}-{one.stand_in_id}",
        printed=(one.wanted.code, one.wanted.label, said),
        filled={"stand_in": one.stand_in.code},
    )


def _read(filled: Filled, department: Department, problems: list[Problem], *, today: date) -> list[_Proposed]:
    """The rows that propose something. A code that was printed and nothing else proposes nothing."""
    lines = {line.pk: line for line in department.consumables.all()}
    by_code = {line.code: line for line in lines.values()}
    proposed = []
    for answer in filled.answers:
        wanted_key, _dash, named_key = answer.key.partition("-")
        named = lines.get(int(named_key)) if wanted_key.isdecimal() else None
        if _says_nothing(answer, named):
            continue
        found = len(problems)
        wanted = _wanted(answer, lines, by_code, problems)
        stand_in = _coded(answer, "stand_in", by_code, problems)
        if answer["until"] is None:
            problems.append(answer.problem("until", NOTHING, _("the last day on which it may stand in")))
        elif answer["until"] < today:
            problems.append(answer.problem("until", str(answer["until"]), _("a day that has not passed")))
        if len(problems) > found:
            continue
        if problem := forbidden(wanted, stand_in):
            problems.append(answer.problem("stand_in", quoted(stand_in.code), problem.rstrip(".")))
            continue
        differ = differences(wanted, stand_in)
        problems += _denied(answer, differ)
        in_words = answer["in_words"] or "; ".join(differ.words)
        if not in_words:
            expected = _("what differs, in words: the catalogue knows no difference")
            problems.append(answer.problem("in_words", NOTHING, expected))
            continue
        proposed.append(_Proposed(answer, wanted, stand_in, in_words))
    return proposed


def _says_nothing(answer: Answer, named: Consumable | None) -> bool:
    others = [value for name, value in answer.values.items() if name != "stand_in" and value is not None]
    return named is not None and not others and answer["stand_in"] == named.code


def _wanted(
    answer: Answer, lines: Mapping[int, Consumable], by_code: Mapping[str, Consumable], problems: list[Problem]
) -> Consumable | None:
    """The missing line: that of the row, or in a row without one the line whose code was written."""
    key = answer.key.partition("-")[0]
    if not key.isdecimal():
        return _coded(answer, "missing", by_code, problems)
    if answer["missing"] is not None:
        expected = _("an empty cell: this row is about the line printed in it")
        problems.append(answer.problem("missing", NOT_SHOWN, expected))
    line = lines.get(int(key))
    if line is None:
        problems.append(answer.problem("missing", _("a line that was removed"), _("an empty row")))
    return line


def _coded(answer: Answer, name: str, by_code: Mapping[str, Consumable], problems: list[Problem]) -> Consumable | None:
    code = answer[name]
    if code is None:
        problems.append(answer.problem(name, NOTHING, _("a code of the catalogue")))
        return None
    if code not in by_code:
        found = NOT_SHOWN if looks_scanned(code) else quoted(code)
        problems.append(answer.problem(name, found, known(_("a code of the catalogue"), code, by_code)))
    return by_code.get(code)


def _denied(answer: Answer, found: Differences) -> Iterable[Problem]:
    """Cells that deny a difference that the catalogue knows."""
    for kind in KINDS:
        if answer[kind] is False and getattr(found, kind):
            expected = _("yes or an empty cell: by the catalogue they differ, %(words)s")
            yield answer.problem(kind, _("no"), expected % {"words": "; ".join(found.words)})


def _propose(row: _Proposed, *, by, at: datetime) -> Substitution:
    return propose(
        wanted=row.wanted,
        stand_in=row.stand_in,
        in_words=row.in_words,
        until=row.answer["until"],
        why=row.answer["why"] or "",
        also={kind for kind in KINDS if row.answer[kind]},
        by=by,
        at=at,
    )
