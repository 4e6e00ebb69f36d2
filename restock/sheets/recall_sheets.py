"""A recall on paper: the sweep out as a workbook and back again, and its report as a workbook."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from datetime import datetime
from io import BytesIO

from django.db import transaction
from django.utils.translation import gettext as _
from django.utils.translation import gettext_noop, ngettext
from openpyxl import Workbook

from inventory import recalls
from inventory.importing.problems import SheetRefused
from inventory.importing.values import Whole
from inventory.models import Lot, Recall, RecallAnswer, RecallPlace

from ..stock_life.recalled_use import UsedBefore
from ..workbook import Paper
from ..workbook.forms import Asked, Column, Filled, Form, Row, StockText, write_form
from ..workbook.layout import Heading, TableRow, put_table, put_title, set_up_page, set_widths, use_own_font

MOST_PIECES = 99999
FIGURES = "found", "returned", "destroyed"
DRILL = gettext_noop("A drill: put nothing out of use, send nothing back, destroy nothing. No stock is touched.")
CAUTIONS = (
    gettext_noop("Recalled pieces are not used: put them aside where nobody reaches for them."),
    gettext_noop("Read the lot on every pack, in made-up bundles and under a seal too."),
)
_SHOWN_LOTS = 30

SWEEP = Form(
    kind="recall",
    title=gettext_noop("Recall sweep"),
    how_to=gettext_noop(
        "Look in every place. Write what you found, 0 where there was none: an empty row is no answer. What is "
        "neither sent back nor destroyed stays put aside."
    ),
    cautions=CAUTIONS,
    printed=(
        Column(gettext_noop("Place"), 28, bold=True, identifies=True),
        Column(gettext_noop("Room"), 9),
        Column(gettext_noop("Bin"), 12),
        Column(gettext_noop("On record"), 10, align="center"),
        Column(gettext_noop("Why asked"), 26),
    ),
    asked=(
        Asked(
            "found",
            gettext_noop("Found"),
            Whole(0, MOST_PIECES),
            9,
            hint=gettext_noop("0 where there was none."),
            needed=True,
        ),
        Asked("returned", gettext_noop("Sent back"), Whole(0, MOST_PIECES), 10),
        Asked("destroyed", gettext_noop("Destroyed"), Whole(0, MOST_PIECES), 10),
        Asked("note", gettext_noop("Remark"), StockText(), 20),
    ),
)


def sweep_sheet(
    told: recalls.Report,
    *,
    bins: Mapping[int, str],
    lots: Sequence[Lot],
    made_at: datetime,
    paper: Paper = Paper.A4,
) -> bytes:
    """The sweep as a workbook to fill in, a row for each place in walking order. bins: by primary key of the place."""
    recall = told.recall
    lines = [recall.consumable.label, _what(recall, lots)]
    lines += [recall.instruction] if recall.instruction else []
    lines += [_(DRILL)] if recall.drill else []
    rows = []
    for one in told.places:
        asked = one.recall_place
        room = asked.place.room
        printed = (
            asked.place.name,
            room.code if room else None,
            bins.get(asked.place_id),
            asked.recorded_pieces,
            str(asked.get_why_display()),
        )
        filled = {}
        if one.answer:
            filled = dict(zip(FIGURES, _figures(one.answer), strict=True))
        rows.append(Row(key=_key(asked, _figures(one.answer)), printed=printed, filled=filled))
    return write_form(
        SWEEP,
        rows,
        department=recall.department,
        about=f"recall-{recall.pk}",
        lines=lines,
        made_at=made_at,
        paper=paper,
    )


def apply_sweep(recall: Recall) -> Callable[[Filled, object, datetime], str]:
    """What to do with a filled-in sweep of this recall, for the page on which it comes back."""

    @transaction.atomic
    def apply(filled: Filled, by, at: datetime) -> str:
        places = {one.recall_place.pk: one for one in recalls.report(recall).places}
        problems, written = [], 0
        for answer in filled.answers:
            asked, printed = _read_key(answer.key)
            figures = found, returned, destroyed = tuple(answer[name] or 0 for name in FIGURES)
            note = answer["note"] or ""
            place = places.get(asked)
            if place is None:
                problems.append(
                    answer.problem("found", _("a place that this recall does not ask"), _("the sheet as written"))
                )
                continue
            if returned + destroyed > found:
                problems.append(answer.problem("found", _words(figures), _("at least as many found")))
                continue
            known = _figures(place.answer)
            if figures in (printed, known) and note in ("", place.answer.note):
                continue  # stands as it was printed, or was answered alike on the page since
            if _was_recorded(answer.event_key, figures, note):
                continue  # the same sheet again, whatever was answered after it
            if known not in (printed, figures):
                since = _("%(answer)s, which was answered since this sheet was written; correct it on the page")
                problems.append(answer.problem("found", _words(figures), since % {"answer": _words(known)}))
                continue
            recalls.answer(
                recall_place=place.recall_place,
                found=found,
                returned=returned,
                destroyed=destroyed,
                note=note,
                by=by,
                at=at,
                key=answer.event_key,
            )
            written += 1
        if problems:
            raise SheetRefused(*problems)
        return ngettext("%(n)d place answered.", "%(n)d places answered.", written) % {"n": written}

    return apply


def _figures(answer: RecallAnswer | None) -> tuple[int, ...] | None:
    return answer and tuple(getattr(answer, name) for name in FIGURES)


def _key(asked: RecallPlace, printed: tuple[int, ...] | None) -> str:
    """What the reference of a row keeps: the place, and the answer that was printed, such as 12:4.0.4."""
    return f"{asked.pk}:{'.'.join(map(str, printed))}" if printed else str(asked.pk)


def _read_key(key: str) -> tuple[int, tuple[int, ...] | None]:
    asked, _colon, printed = key.partition(":")
    return int(asked), tuple(map(int, printed.split("."))) if printed else None


def _was_recorded(key: str, figures: tuple[int, ...], note: str) -> bool:
    earlier = RecallAnswer.objects.filter(key=key).first()
    return earlier is not None and (_figures(earlier), earlier.note) == (figures, note)


def _words(figures: tuple[int, ...]) -> str:
    found, returned, destroyed = figures
    gone = _("%(returned)s sent back and %(destroyed)s destroyed") % {"returned": returned, "destroyed": destroyed}
    return _("%(found)s, with %(gone)s") % {"found": found, "gone": gone}


def report_workbook(told: recalls.Report, used: Iterable[UsedBefore], lots: Sequence[Lot]) -> bytes:
    """The report as a workbook: one sheet of places with their answers, one of what was used before."""
    recall = told.recall
    workbook = Workbook()
    use_own_font(workbook)
    places = workbook.active
    places.title = "Places"
    headings = [
        Heading(gettext_noop("Place"), 28),
        Heading(gettext_noop("Why asked"), 26),
        Heading(gettext_noop("On record"), 10, "center"),
        Heading(gettext_noop("Found"), 8, "center"),
        Heading(gettext_noop("Sent back"), 10, "center"),
        Heading(gettext_noop("Destroyed"), 10, "center"),
        Heading(gettext_noop("Put aside"), 10, "center"),
        Heading(gettext_noop("Answered"), 17),
        Heading(gettext_noop("By"), 14),
        Heading(gettext_noop("Remark"), 24),
    ]
    rows = []
    for one in told.places:
        answer, asked = one.answer, one.recall_place
        said: list = [None, None, None, None, _("no answer yet"), None, None]
        if answer:
            at = f"{recall.department.local_time(answer.at):%Y-%m-%d %H:%M}"
            figures = [answer.found, answer.returned, answer.destroyed, answer.quarantined]
            said = [*figures, at, answer.by.get_username(), answer.note]
        rows.append(TableRow([asked.place.name, str(asked.get_why_display()), asked.recorded_pieces, *said]))
    sums = [told.recorded, told.found, told.returned, told.destroyed, told.quarantined]
    rows.append(TableRow([_("In all"), None, *sums, None, None, None]))
    _put(places, recall, _summary(told, lots), headings, rows)

    before = workbook.create_sheet(_("Used before"))
    headings = [
        Heading(gettext_noop("Day"), 12, format="yyyy-mm-dd"),
        Heading(gettext_noop("Room"), 10),
        Heading(gettext_noop("Place in the list"), 10, "center"),
        Heading(gettext_noop("Case type"), 34),
        Heading(gettext_noop("Lot"), 18),
        Heading(gettext_noop("Line"), 34),
        Heading(gettext_noop("Pieces"), 8, "center"),
    ]
    rows = [
        TableRow([one.day, one.room, one.case_order, one.case_type, one.lot_number, one.line, one.pieces])
        for one in used
    ]
    _put(
        before, recall, [_("Slots for which pieces of these lots are on record as used; no person is.")], headings, rows
    )
    written = BytesIO()
    workbook.save(written)
    return written.getvalue()


def _put(sheet, recall: Recall, lines: Sequence[str], headings: Sequence[Heading], rows: Sequence[TableRow]) -> None:
    title = (
        _("Drill: %(notice)s") % {"notice": recall.notice}
        if recall.drill
        else _("Recall: %(notice)s") % {"notice": recall.notice}
    )
    set_widths(sheet, [heading.width for heading in headings])
    put_table(sheet, put_title(sheet, title, lines, len(headings)) + 1, headings, rows)
    set_up_page(
        sheet,
        paper=Paper.A4,
        landscape=True,
        one_page=False,
        left=recall.department.name,
        centre=title,
        right=_("opened %(opened_at)s") % {"opened_at": recall.department.local_date(recall.opened_at)},
        caution=_(DRILL if recall.drill else CAUTIONS[0]),
    )


def _what(recall: Recall, lots: Sequence[Lot]) -> str:
    numbers = ", ".join(lot.number for lot in lots[:_SHOWN_LOTS])
    if len(lots) > _SHOWN_LOTS:
        numbers += _(" and %(lots)s more") % {"lots": len(lots) - _SHOWN_LOTS}
    if recall.all_lots:
        return _("Every lot.")
    here = _("On record here: %(lots)s.") % {"lots": numbers or _("none")}
    if not recall.lot_from:
        return here
    between = _("Lots from %(lot_from)s to %(lot_to)s.") % {"lot_from": recall.lot_from, "lot_to": recall.lot_to}
    return f"{between} {here}"


def _summary(told: recalls.Report, lots: Sequence[Lot]) -> list[str]:
    recall = told.recall
    lines = [
        f"{recall.consumable.label}. {_what(recall, lots)} {recall.get_recall_class_display()}".strip(),
        _("Opened %(at)s by %(who)s. %(answered)s of %(places)s places answered, %(nil)s of them with none.")
        % {
            "at": f"{recall.department.local_time(recall.opened_at):%Y-%m-%d %H:%M}",
            "who": recall.opened_by.get_username(),
            "answered": told.answered,
            "places": len(told.places),
            "nil": told.nil,
        },
    ]
    if recall.closed_at:
        how = _("Withdrawn") if recall.withdrawn else _("Closed")
        signed = _("%(at)s by %(who)s") % {
            "at": f"{recall.department.local_time(recall.closed_at):%Y-%m-%d %H:%M}",
            "who": recall.closed_by.get_username(),
        }
        lines.append(f"{how} {signed}. {recall.closing_note}".strip())
    if told.answering_took is not None:
        lines.append(
            _("From the first answer to the last: %(minutes)s minutes.")
            % {"minutes": f"{told.answering_took.total_seconds() / 60:.1f}"}
        )
    return [*lines, _(DRILL)] if recall.drill else lines
