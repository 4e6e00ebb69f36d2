"""The grid of a par sheet as HTML. Drawn here rather than by Django's widgets, each of which is a template of its own:
for a storeroom's 250 lines that is most of a second. A sheet that nobody sent back yet is drawn from its lines alone,
because making a form for each of them would take longer than drawing it."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field

from django.forms import BaseModelFormSet
from django.utils.html import escape
from django.utils.safestring import SafeString
from django.utils.translation import gettext as _

from inventory.models import Bin, Consumable, StockingLine

from .forms.setup import ParRowForm

FIELDS = ParRowForm.Meta.fields


@dataclass(frozen=True)
class GridRow:
    """A row: the line it is about, what goes beside its name (its key, its faults), and its labelled cells."""

    line: Consumable
    beside: SafeString
    cells: SafeString


@dataclass(frozen=True)
class _Row:
    """One row as it is shown. was: what each field held when the page was made. faults: of a field, or of all ("")."""

    prefix: str
    line: StockingLine
    shown: dict[str, str]
    was: dict[str, str]
    off: bool = False
    faults: dict[str, str] = field(default_factory=dict)


def grid_rows(sheet: BaseModelFormSet, bins: Iterable[Bin]) -> Iterator[GridRow]:
    """One row for each line of the sheet, with the names that the formset reads back."""
    figures = {"par": _("Par"), "floor": _("Floor"), "capacity": _("Bin holds")}
    ways = {StockingLine.Tracking.LOT: _("lot"), StockingLine.Tracking.EARLIEST_DATE: _("earliest only")}
    choices = {
        "bin": (_("Bin"), {"": "-"} | {str(one.pk): one.code for one in bins}),
        "tracking": (_("Dates"), ways),
    }
    off = _("Off")
    options: dict[tuple[str, str], str] = {}
    for row in _sent_back(sheet) if sheet.is_bound else _stored(sheet):
        label = escape(row.line.consumable.label)
        cells = [_cell(words, _figure(row, name, f"{label}: {words}")) for name, words in figures.items()]
        for name, (words, offered) in choices.items():
            chosen = name, row.shown[name]
            if chosen not in options:
                options[chosen] = _options(offered, row.shown[name])
            cells.append(_cell(words, _choice(row, name, options[chosen], f"{label}: {words}")))
        cells.append(_cell(off, _tick(row, f"{label}: {off}")))
        key = f'<input type="hidden" name="{row.prefix}-id" value="{row.line.pk}">{row.faults.get("", "")}'
        yield GridRow(row.line.consumable, SafeString(key), SafeString("".join(cells)))


def _stored(sheet: BaseModelFormSet) -> Iterator[_Row]:
    for n, line in enumerate(sheet.get_queryset()):
        values = {name: _text(getattr(line, "bin_id" if name == "bin" else name)) for name in FIELDS}
        yield _Row(sheet.add_prefix(n), line, values, values)


def _sent_back(sheet: BaseModelFormSet) -> Iterator[_Row]:
    """What was sent; rows of lines that the place does not keep any more have nothing to be drawn from."""
    return (_typed(form) for form in sheet if form.instance.pk)


def _typed(form: ParRowForm) -> _Row:
    return _Row(
        form.prefix,
        form.instance,
        {name: _text(form[name].value()) for name in FIELDS},
        {name: form.data.get(form.add_initial_prefix(name), "") for name in FIELDS},
        bool(form["off"].value()),
        {name: str(errors) for name, errors in form.errors.items()} | {"": str(form.non_field_errors())},
    )


def _cell(words: str, drawn: str) -> str:
    return f'<td data-label="{escape(words)}">{drawn}</td>'


def _figure(row: _Row, name: str, label: str) -> str:
    return (
        f'<input type="text" inputmode="numeric" autocomplete="off" size="5" name="{row.prefix}-{name}" '
        f'value="{escape(row.shown[name])}" aria-label="{label}"{_invalid(row, name)}>{_rest(row, name)}'
    )


def _options(offered: dict[str, str], chosen: str) -> str:
    rows = ((key, " selected" if key == chosen else "", words) for key, words in offered.items())
    return "".join(f'<option value="{key}"{selected}>{escape(words)}</option>' for key, selected, words in rows)


def _choice(row: _Row, name: str, options: str, label: str) -> str:
    select = f'<select name="{row.prefix}-{name}" aria-label="{label}"{_invalid(row, name)}>{options}</select>'
    return f"{select}{_rest(row, name)}"


def _tick(row: _Row, label: str) -> str:
    ticked = " checked" if row.off else ""
    return f'<input type="checkbox" name="{row.prefix}-off" aria-label="{label}"{ticked}>'


def _invalid(row: _Row, name: str) -> str:
    return ' aria-invalid="true"' if name in row.faults else ""


def _rest(row: _Row, name: str) -> str:
    """What stands behind a field: its value when the page was made, and its faults."""
    was = f'<input type="hidden" name="initial-{row.prefix}-{name}" value="{escape(row.was[name])}">'
    return f"{was}{row.faults.get(name, '')}"


def _text(value: object) -> str:
    return "" if value is None else str(value)
