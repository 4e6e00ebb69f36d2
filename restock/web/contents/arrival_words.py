"""What the receiving page says about each line that waits, and what is to be done about it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

from django.utils.formats import date_format
from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from inventory.arrivals import Against, Arrival

SHELF_REFUSES = frozenset({Against.EXPIRED, Against.HELD, Against.RECALLED})


@dataclass(frozen=True)
class ArrivalRow:
    """An arrival with its words. stops: what keeps it off the shelf; cautions: what to know although it may go in."""

    arrival: Arrival
    stops: str
    cautions: tuple[str, ...]

    @property
    def ids(self) -> str:
        return ",".join(str(pack.pk) for pack in self.arrival.packs)

    @property
    def shelf_refuses(self) -> bool:
        """Whether it may not go on the shelf whatever anybody reads on it."""
        return self.arrival.against in SHELF_REFUSES


def row_of(arrival: Arrival, today: date) -> ArrivalRow:
    return ArrivalRow(arrival, _stops(arrival), tuple(_cautions(arrival, today)))


def _stops(one: Arrival) -> str:
    match one.against:
        case Against.UNKNOWN:
            return _("Not known yet. It stays here until a supervisor says which line it is.")
        case Against.EXPIRED:
            words = _("Out of date since %(day)s: not for the shelf. Put it aside and tell the supplier.")
            return words % {"day": _day(one.expires_on)}
        case Against.HELD:
            return _("This lot is held: not for the shelf. Put it aside with the held pieces.")
        case Against.RECALLED:
            words = _("Recalled (%(notice)s): not for the shelf. Put it aside with the recalled pieces.")
            return words % {"notice": one.recall.notice}
        case Against.LOT_IN_DOUBT:
            words = _("The code leaves the lot in doubt: %(lots)s. Read the pack and write its lot.")
            return words % {"lots": _(" or ").join(one.first.possible_lots)}
        case Against.DATE_WITHOUT_LOT:
            return _("A date cannot be kept without its lot: write the lot that is printed on the pack.")
        case Against.OTHER_DATE:
            words = _("This lot is known with the last day %(known)s. Read the pack; if it says another, put it aside.")
            return words % {"known": _day(one.known_expires_on)}
        case Against.NOT_ORDERED:
            return _("Not on this order. Receive it all the same, or put it aside.")
    return ""


def _cautions(one: Arrival, today: date):
    if one.against:
        return
    if one.short_dated:
        days = (one.expires_on - today).days
        yield ngettext("Short-dated: %(days)d day left.", "Short-dated: %(days)d days left.", days) % {"days": days}
    if one.over:
        words = ngettext("%(over)d piece more than ordered.", "%(over)d pieces more than ordered.", one.over)
        yield words % {"over": one.over}
    if not one.lot_number:
        yield _("No lot was read: it is received without one.")
    if one.first.wanted:
        yield _("Not on this order.")


def _day(day: date) -> str:
    return date_format(day, _("j M Y"))
