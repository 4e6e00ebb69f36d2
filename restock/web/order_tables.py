"""The tables of orders and of how lines are ordered."""

from datetime import date

import django_tables2 as tables
from django.urls import reverse
from django.utils.formats import date_format
from django.utils.html import format_html
from django.utils.translation import gettext, ngettext
from django.utils.translation import gettext_lazy as _

from inventory.models import Order
from inventory.orders import State
from restock.learning.lead_times import LeadTime

from .contents.order_words import OrderRow, expected_words, order_rows
from .tables import DRAWN, NUMBER, PLACE, SiteTable


class OrderTable(SiteTable):
    """Orders, newest first, with what `work_out` found of those that the page shows."""

    number = tables.Column(_("Order"), orderable=False, linkify=("order", [tables.A("pk")]))
    storeroom = tables.Column(_("Storeroom"), accessor="storeroom__name", orderable=False, attrs=PLACE)
    state = tables.Column(_("State"), empty_values=(), orderable=False)
    lines = tables.Column(_("Lines"), empty_values=(), orderable=False, attrs=NUMBER)
    ordered = tables.Column(_("Pieces ordered"), empty_values=(), orderable=False, attrs=NUMBER)
    received = tables.Column(_("On record"), empty_values=(), orderable=False, attrs=NUMBER)
    to_come = tables.Column(_("To come"), empty_values=(), orderable=False, attrs=NUMBER)
    expected = tables.Column(_("First expected"), empty_values=(), orderable=False)
    who = tables.Column(_("Who and when"), empty_values=(), orderable=False, attrs={"td": {"class": "count-age"}})

    def __init__(self, *args, department, **kwargs) -> None:
        super().__init__(*args, **kwargs)
        self.department = department
        self.found: dict[int, OrderRow] = {}

    def work_out(self, today: date) -> None:
        """Find what came of the orders of this page. After the table was given its page."""
        shown = [row.record for row in self.paginated_rows]
        self.found = {row.order.pk: row for row in order_rows(shown, today=today)}

    def render_state(self, record: Order):
        row = self.found[record.pk]
        return format_html('<span class="state-word {}">{}</span>', row.state_class, row.state_words)

    def render_lines(self, record: Order) -> int:
        return self.found[record.pk].lines

    def render_ordered(self, record: Order) -> int:
        return self.found[record.pk].ordered_pieces

    def render_received(self, record: Order) -> int | str:
        return self.found[record.pk].received_pieces or ""

    def render_to_come(self, record: Order) -> int | str:
        return self.found[record.pk].open_pieces or ""

    def render_expected(self, record: Order) -> str:
        row = self.found[record.pk]
        return expected_words(row.expected_on, late=row.state == State.LATE) if row.open_pieces else ""

    def render_who(self, record: Order) -> str:
        at, by = record.placed_at or record.made_at, record.placed_by or record.made_by
        return f"{by}, {date_format(self.department.local_date(at), gettext('j M Y'))}"


class OrderPolicyTable(SiteTable):
    """Storeroom lines with how each is ordered. Rows are OrderPolicy, each with a `lead` of learning.lead_times."""

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
        return str(first) if first == last else gettext("%(first)d to %(last)d") % {"first": first, "last": last}

    def render_learned(self, record) -> str:
        return lead_words(record.lead)

    def render_service(self, record) -> str:
        return f"{record.service:g}" if record.service else gettext("as usual")


def lead_words(lead: LeadTime) -> str:
    """What is believed of a line's deliveries, and from how much: "2 to 6 days, from 3 of its orders"."""
    if lead.fixed:
        return gettext("fixed as stated")
    if not lead.all_lines:
        return gettext("as stated: nothing ordered here has come yet")
    days = ngettext("%(n)d day", "%(n)d days", lead.high) % {"n": lead.high}
    if lead.low != lead.high:
        days = gettext("%(low)d to %(high)d days") % {"low": lead.low, "high": lead.high}
    if not lead.own_lines:
        return gettext("%(days)s, from %(all)d orders of lines alike") % {"days": days, "all": lead.all_lines}
    own = ngettext("%(n)d order of it", "%(n)d orders of it", lead.own_lines) % {"n": lead.own_lines}
    return gettext("%(days)s, from %(own)s and %(all)d of all alike") % {
        "days": days,
        "own": own,
        "all": lead.all_lines,
    }
