"""The tables of orders and of how lines are ordered."""

import django_tables2 as tables
from django.urls import reverse
from django.utils.html import format_html
from django.utils.translation import gettext as say
from django.utils.translation import gettext_lazy as _
from django.utils.translation import ngettext

from restock.lead_times import LeadTime

from .order_words import OrderRow, expected_words
from .tables import DRAWN, NUMBER, PLACE


class OrderTable(tables.Table):
    """Orders, newest first. Rows are `OrderRow`."""

    number = tables.Column(_("Order"), accessor="order__number", orderable=False)
    storeroom = tables.Column(_("Storeroom"), accessor="order__storeroom__name", orderable=False, attrs=PLACE)
    state = tables.Column(_("State"), orderable=False)
    lines = tables.Column(_("Lines"), orderable=False, attrs=NUMBER)
    ordered_pieces = tables.Column(_("Pieces ordered"), orderable=False, attrs=NUMBER)
    received_pieces = tables.Column(_("On record"), orderable=False, attrs=NUMBER)
    open_pieces = tables.Column(_("To come"), orderable=False, attrs=NUMBER)
    expected_on = tables.Column(_("First expected"), orderable=False, empty_values=())
    who = tables.Column(_("Who and when"), orderable=False, empty_values=(), attrs={"td": {"class": "count-age"}})

    def __init__(self, *args, department, **kwargs) -> None:
        super().__init__(*args, **kwargs)
        self.department = department

    def render_number(self, value: str, record: OrderRow):
        return format_html('<a href="{}">{}</a>', reverse("order", args=[record.order.pk]), value)

    def render_state(self, record: OrderRow):
        return format_html('<span class="state-word {}">{}</span>', record.state_class, record.state_words)

    def render_expected_on(self, record: OrderRow) -> str:
        return expected_words(record.expected_on, late=record.state == "late") if record.open_pieces else ""

    def render_who(self, record: OrderRow) -> str:
        order = record.order
        at, by = order.placed_at or order.made_at, order.placed_by or order.made_by
        return f"{by}, {self.department.local_date(at):%Y-%m-%d}"


class OrderPolicyTable(tables.Table):
    """Storeroom lines with how each is ordered. Rows are OrderPolicy, each with a `lead` of restock.lead_times."""

    tick = tables.Column("", empty_values=(), orderable=False, attrs={"td": {"class": "cell-tick"}})
    line = tables.Column(_("Line"), empty_values=(), orderable=False)
    method = tables.Column(_("Orders go out"), orderable=False)
    review_days = tables.Column(_("Every, days"), orderable=False, attrs=NUMBER)
    stated = tables.Column(_("Delivery as stated, days"), empty_values=(), orderable=False, attrs=NUMBER)
    learned = tables.Column(_("Delivery as it comes"), empty_values=(), orderable=False, attrs=DRAWN)
    service = tables.Column(_("Service"), empty_values=(), orderable=False, attrs=NUMBER)

    def render_tick(self, record):
        return format_html(
            '<label class="tick-area"><input type="checkbox" name="line" value="{}" aria-label="{}"></label>',
            record.stocking_line_id,
            record.stocking_line.consumable.label,
        )

    def render_line(self, record):
        address = reverse("order-policy", args=[record.stocking_line_id])
        return format_html('<a href="{}">{}</a>', address, record.stocking_line.consumable.label)

    def render_method(self, record) -> str:
        return record.get_method_display()

    def render_stated(self, record) -> str:
        first, last = record.lead_days - record.lead_spread_days, record.lead_days + record.lead_spread_days
        return str(first) if first == last else say("%(first)d to %(last)d") % {"first": first, "last": last}

    def render_learned(self, record) -> str:
        return lead_words(record.lead)

    def render_service(self, record) -> str:
        return f"{record.service:g}" if record.service else say("as usual")


def lead_words(lead: LeadTime) -> str:
    """What is believed of a line's deliveries, and from how much: "2 to 6 days, from 3 of its orders"."""
    if lead.fixed:
        return say("fixed as stated")
    if not lead.all_lines:
        return say("as stated: nothing ordered here has come yet")
    days = ngettext("%(n)d day", "%(n)d days", lead.high) % {"n": lead.high}
    if lead.low != lead.high:
        days = say("%(low)d to %(high)d days") % {"low": lead.low, "high": lead.high}
    own = ngettext("%(n)d order of it", "%(n)d orders of it", lead.own_lines) % {"n": lead.own_lines}
    return say("%(days)s, from %(own)s and %(all)d of all alike") % {"days": days, "own": own, "all": lead.all_lines}
