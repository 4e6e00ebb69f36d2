"""The grid of a par sheet as HTML. Drawn here rather than by Django's widgets, each of which is a template of its own:
for a storeroom's 250 lines that is most of a second."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from django.utils.html import format_html, format_html_join
from django.utils.safestring import SafeString
from django.utils.translation import gettext as _

from inventory.models import Bin, Consumable, StockingLine

from .setup_forms import ParRowForm


@dataclass(frozen=True)
class GridRow:
    """A row: the line it is about, what goes beside its name (its key, its faults), and a labelled cell per field."""

    line: Consumable
    beside: SafeString
    cells: list[tuple[str, SafeString]]


def grid_rows(forms: Iterable[ParRowForm], bins: Iterable[Bin]) -> Iterator[GridRow]:
    """One row for each form, with the names that the formset reads back."""
    labels = {"par": _("Par"), "floor": _("Floor"), "capacity": _("Bin holds")}
    bin_options = [("", "-"), *((str(one.pk), one.code) for one in bins)]
    ways = {StockingLine.Tracking.LOT: _("lot"), StockingLine.Tracking.EARLIEST_DATE: _("earliest only")}
    drawn: dict[tuple[str, str], SafeString] = {}
    for form in forms:
        line = form.instance.consumable
        cells = [(words, _figure(form, name, f"{line.label}: {words}")) for name, words in labels.items()]
        for name, words, offered in (("bin", _("Bin"), bin_options), ("tracking", _("Dates"), ways.items())):
            chosen = _text(form[name].value())
            if (name, chosen) not in drawn:
                drawn[name, chosen] = _options(offered, chosen)
            cells.append((words, _choice(form, name, drawn[name, chosen], f"{line.label}: {words}")))
        cells.append((_("Off"), _tick(form, f"{line.label}: {_('Off')}")))
        key = format_html('<input type="hidden" name="{}" value="{}">', form.add_prefix("id"), form.instance.pk)
        yield GridRow(line, format_html("{}{}", key, form.non_field_errors() if form.is_bound else ""), cells)


def _figure(form: ParRowForm, name: str, label: str) -> SafeString:
    return format_html(
        '<input type="text" inputmode="numeric" autocomplete="off" size="5" name="{}" value="{}" aria-label="{}"{}>{}',
        form.add_prefix(name),
        _text(form[name].value()),
        label,
        *_faults(form, name),
    )


def _options(offered: Iterable[tuple[str, str]], chosen: str) -> SafeString:
    rows = ((key, SafeString(" selected") if key == chosen else "", words) for key, words in offered)
    return format_html_join("", '<option value="{}"{}>{}</option>', rows)


def _choice(form: ParRowForm, name: str, options: SafeString, label: str) -> SafeString:
    select = '<select name="{}" aria-label="{}"{}>{}</select>{}'
    invalid, rest = _faults(form, name)
    return format_html(select, form.add_prefix(name), label, invalid, options, rest)


def _tick(form: ParRowForm, label: str) -> SafeString:
    ticked = SafeString(" checked") if form["off"].value() else ""
    return format_html('<input type="checkbox" name="{}" aria-label="{}"{}>', form.add_prefix("off"), label, ticked)


def _faults(form: ParRowForm, name: str) -> tuple[SafeString | str, SafeString]:
    """The mark of a faulty field; and what stands behind it: its value when the page was made, and its faults."""
    initial = form.add_initial_prefix(name)
    was = form.data.get(initial, "") if form.is_bound else _text(form[name].value())
    hidden = format_html('<input type="hidden" name="{}" value="{}">', initial, was)
    if not form.is_bound or name not in form.errors:
        return "", hidden
    return SafeString(' aria-invalid="true"'), format_html("{}{}", hidden, form.errors[name])


def _text(value: object) -> str:
    return "" if value is None else str(value)
