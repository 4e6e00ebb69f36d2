"""The table of par advice: a form of its own, each row with a tick and the par to take."""

import django_tables2 as tables
from django.urls import reverse
from django.utils.html import format_html
from django.utils.translation import gettext
from django.utils.translation import gettext_lazy as _

from restock.models import AdvisedPar

from .charts import days_of_hundred
from .hubs import hub_swatch
from .tables import NUMBER, PLACE, SENTENCE, SiteTable

TICK = {"td": {"class": "cell-tick"}}
TYPED = {"td": {"class": "cell-typed"}}


def before_after(before, after):
    """Two figures with words for who cannot see the arrow."""
    return format_html(
        '{} <span aria-hidden="true">→</span><span class="seen-by-reader">{}</span> {}', before, gettext("to"), after
    )


class AdvisedParTable(SiteTable):
    """Open proposals, each with what it would have changed over the days that it rests on."""

    tick = tables.Column(_("Tick"), empty_values=(), orderable=False, attrs=TICK)
    line = tables.Column(
        _("Line"),
        empty_values=(),
        order_by=("stocking_line__consumable__name", "stocking_line__consumable__size_position"),
    )
    where = tables.Column(_("Where"), empty_values=(), order_by=("stocking_line__place__walk_order",), attrs=PLACE)
    par = tables.Column(_("Par now"), attrs=NUMBER)
    advised = tables.Column(_("New par"), attrs=TYPED)
    enough = tables.Column(_("Enough, days of 100"), empty_values=(), order_by=("-p_short_now",), attrs=NUMBER)
    short = tables.Column(_("Days short"), empty_values=(), order_by=("-days_saved", "pieces_more"), attrs=NUMBER)
    on_hand = tables.Column(_("Pieces of an evening"), empty_values=(), order_by=("pieces_more",), attrs=NUMBER)
    reason = tables.Column(_("Why"), orderable=False, attrs=SENTENCE)

    class Meta:
        attrs = {"class": "tall-rows"}

    def render_tick(self, record: AdvisedPar):
        name = gettext("%(line)s on %(place)s") % {"line": self._label(record), "place": record.stocking_line.place}
        return format_html(
            '<label class="tick-area"><input type="checkbox" name="ticked" value="{}" aria-label="{}"></label>',
            record.pk,
            name,
        )

    def render_line(self, record: AdvisedPar):
        return format_html("{}{}", hub_swatch(record.stocking_line.consumable), self._label(record))

    def render_where(self, record: AdvisedPar):
        place = record.stocking_line.place
        return format_html('<a href="{}">{}</a>', reverse("cart", args=[place.pk]), place.name)

    def render_advised(self, record: AdvisedPar):
        return format_html(
            '<input class="par-typed" type="number" inputmode="numeric" min="0" max="9999" name="par-{}" value="{}" '
            'aria-label="{}">',
            record.pk,
            record.advised,
            gettext("New par of %(line)s") % {"line": self._label(record)},
        )

    def render_enough(self, record: AdvisedPar):
        return before_after(days_of_hundred(1 - record.p_short_now), days_of_hundred(1 - record.p_short_advised))

    def render_short(self, record: AdvisedPar):
        return before_after(record.days_short_now, record.days_short_advised)

    def render_on_hand(self, record: AdvisedPar):
        return before_after(f"{record.on_hand_now:.1f}", f"{record.on_hand_advised:.1f}")

    def _label(self, record: AdvisedPar) -> str:
        return record.stocking_line.consumable.label
