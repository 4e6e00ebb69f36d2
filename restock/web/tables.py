"""The tables of the site, drawn by `templates/tables/table.html`."""

from collections.abc import Callable
from inspect import signature

import django_tables2 as tables
from django.urls import reverse
from django.utils.formats import time_format
from django.utils.html import format_html, format_html_join
from django.utils.safestring import SafeString
from django.utils.translation import gettext
from django.utils.translation import gettext_lazy as _

from restock.models import PlanLine, Shortage
from restock.reasons import may_run_short

from . import levels
from .charts import days_of_hundred
from .contents.shortage_facts import ShortageFacts, act_words
from .hubs import hub_swatch

NUMBER = {"cell": {"class": "num"}}
DRAWN = {"cell": {"class": "wide"}}
PLACE = {"td": {"class": "cell-place"}}
SENTENCE = {"td": {"class": "cell-reason wide"}}
CARRIED = {"td": {"class": "num figure-to-carry"}, "th": {"class": "num"}}


def line_link(line: PlanLine):
    swatch, address = hub_swatch(line.consumable), reverse("line", args=[line.pk])
    return format_html('{}<a href="{}">{}</a>', swatch, address, line.consumable.label)


def cart_link(line: PlanLine):
    return format_html('<a href="{}">{}</a>', reverse("cart", args=[line.place_id]), line.place.name)


class SiteTable(tables.Table):
    """A table whose columns say once which arguments they are drawn from.

    django-tables2 asks for the signature of a column's method in each of its cells, a sixth of a page of fifty rows.
    """

    def __init__(self, *args, **kwargs) -> None:
        super().__init__(*args, **kwargs)
        for column in self.columns.iterall():
            column.render = _with_signature(column.render)


def _with_signature(draw: Callable) -> Callable:
    def drawn(**cell):
        return draw(**cell)

    drawn.__signature__ = signature(draw)
    return drawn


class TonightTable(SiteTable):
    """Lines of a plan that need pieces, as they stood when it was made."""

    line = tables.Column(_("Line"), empty_values=(), order_by=("consumable__name", "consumable__size_position"))
    where = tables.Column(_("Where"), empty_values=(), order_by=("place__walk_order", "place__code"), attrs=PLACE)
    level = tables.Column(_("On hand and likely use, pieces"), empty_values=(), orderable=False, attrs=DRAWN)
    on_hand = tables.Column(_("On hand"), attrs=NUMBER)
    likely = tables.Column(_("Likely"), empty_values=(), order_by=("q_service", "q50"), attrs=NUMBER)
    par = tables.Column(_("Par"), attrs=NUMBER)
    top_up = tables.Column(_("Needs"), attrs=NUMBER)
    allocated = tables.Column(_("Add"), attrs=CARRIED)
    reason = tables.Column(_("Why"), orderable=False, attrs=SENTENCE)

    class Meta:
        attrs = {"class": "tall-rows"}

    def __init__(self, *args, when: str, **kwargs) -> None:
        super().__init__(*args, **kwargs)
        self.when = when

    def render_line(self, record: PlanLine):
        return line_link(record)

    def render_where(self, record: PlanLine):
        return cart_link(record)

    def render_level(self, record: PlanLine):
        return levels.bar_as_planned(record, self.when)

    def render_likely(self, record: PlanLine) -> str:
        return levels.range_words(record)


class ShortageTable(SiteTable):
    """What stays short, with the level as it will be when everything has been carried, and what was done about it."""

    line = tables.Column(
        _("Line"),
        empty_values=(),
        order_by=("plan_line__consumable__name", "plan_line__consumable__size_position"),
    )
    where = tables.Column(_("Where"), empty_values=(), order_by=("plan_line__place__walk_order",), attrs=PLACE)
    level = tables.Column(_("After the round, and likely use"), empty_values=(), orderable=False, attrs=DRAWN)
    short_by = tables.Column(_("Below target by"), attrs=NUMBER)
    covered = tables.Column(
        _("Enough, days of 100"), empty_values=(), order_by=("-plan_line__p_short_after",), attrs=NUMBER
    )
    first_case = tables.Column(_("First case"), empty_values=(), orderable=False, attrs=NUMBER)
    on_order = tables.Column(_("On order"), empty_values=(), orderable=False, attrs=DRAWN)
    # The reason says the cause in its own words, so the column sorts by the one and shows the other.
    reason = tables.Column(_("Why, and what was done"), order_by=("cause", "-harm"), attrs=SENTENCE)

    class Meta:
        attrs = {"class": "tall-rows"}

    def __init__(self, *args, when: str, facts: ShortageFacts, **kwargs) -> None:
        super().__init__(*args, **kwargs)
        self.when = when
        self.facts = facts

    def render_line(self, record: Shortage):
        words = []
        if record.plan_line.consumable.criticality == "never_out":
            words.append(("state-word", gettext("never out")))
        if not may_run_short(self.facts.p_short(record)):
            words.append(("state-word state-calm", gettext("only below par")))
        return line_link(record.plan_line) + format_html_join("", ' <span class="{}">{}</span>', words)

    def render_where(self, record: Shortage):
        return cart_link(record.plan_line)

    def render_level(self, record: Shortage):
        return levels.bar_after_restock(record.plan_line, self.facts.after_tonight(record.plan_line), self.when)

    def render_covered(self, record: Shortage) -> str:
        return days_of_hundred(1 - self.facts.p_short(record))

    def render_first_case(self, record: Shortage) -> str:
        start = self.facts.first_case(record.plan_line)
        return time_format(start, "H:i") if start else ""

    def render_on_order(self, record: Shortage):
        said = self.facts.on_order(record.plan_line)
        return format_html_join(SafeString("<br>"), "{}", ((words,) for words in said))

    def render_reason(self, record: Shortage):
        line = record.plan_line
        cover, acts = self.facts.cover(line), self.facts.acts(line)
        lasting = gettext("Storerooms last: %(cover)s.") % {"cover": cover} if cover else ""
        done = "; ".join(act_words(act) for act in acts)
        return format_html(
            '{} {} <strong>{}</strong> <a class="tap-line" href="{}" aria-label="{}">{}</a>',
            record.why,
            lasting,
            done,
            reverse("shortage", args=[line.pk]),
            gettext("What can be done: %(line)s") % {"line": line.consumable.label},
            gettext("Look or undo") if acts else gettext("What can be done"),
        )


class CartTable(SiteTable):
    """The carts of a plan, with what each of them gets. Rows are `cart_totals`."""

    cart = tables.Column(
        _("Cart"),
        accessor="place__name",
        order_by=("place__walk_order", "place__code"),
        linkify=("cart", [tables.A("place__pk")]),
    )
    room = tables.Column(_("Room"), accessor="place__room__code", orderable=False, default=_("shared"))
    lines = tables.Column(_("Lines"), attrs=NUMBER)
    to_add = tables.Column(_("Lines to fill"), attrs=NUMBER)
    pieces = tables.Column(_("Pieces to add"), attrs=CARRIED)
    short = tables.Column(_("Stay short"), attrs=NUMBER)
    below_zero = tables.Column(_("Please count"), attrs=NUMBER)
    counted = tables.Column(_("Counts"), orderable=False, attrs={"td": {"class": "count-age wide"}})

    def render_to_add(self, value: int) -> int | str:
        return value or ""

    render_pieces = render_short = render_below_zero = render_to_add
