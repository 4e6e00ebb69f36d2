"""What the scan page says about one pack or label: its dates, where its pieces are, what can be done with it next."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from datetime import date

from django.urls import reverse
from django.utils.formats import date_format
from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from inventory.models import Place
from inventory.scanned import Found

from .access import allows


@dataclass(frozen=True)
class Whereabouts:
    """One place with what is on record there, in pieces. in_lot: of the scanned lot, None where no lot is known."""

    place: Place
    bin: str
    pieces: int
    in_lot: int | None


def expiry_words(expires_on: date, today: date) -> str:
    """How long a pack may still be used, as a person counts."""
    days = (expires_on - today).days
    printed = date_format(expires_on, _("j F Y"))
    if days < 0:
        late = ngettext("%(days)d day ago", "%(days)d days ago", -days) % {"days": -days}
        return _("Expired %(late)s, on %(printed)s. Do not use it: take it out and keep it apart.") % {
            "late": late, "printed": printed
        }  # fmt: skip
    if days == 0:
        return _("Usable today for the last time (%(printed)s).") % {"printed": printed}
    left = ngettext("%(days)d more day", "%(days)d more days", days) % {"days": days}
    return _("Usable to the end of %(printed)s: %(left)s.") % {"printed": printed, "left": left}


def whereabouts(found: Found) -> list[Whereabouts]:
    """Every place that keeps or holds the line, in walking order."""
    line = found.consumable
    bins = dict(line.stocking_lines.values_list("place", "bin__code"))
    held: Counter[int] = Counter()
    in_lot: Counter[int] = Counter()
    for place, lot, quantity in line.holdings.values_list("place", "lot", "quantity"):
        held[place] += quantity
        if found.known_lot and lot == found.known_lot.pk:
            in_lot[place] += quantity
    places = Place.objects.filter(department=line.department_id, pk__in=bins.keys() | held.keys()).physical()
    return [
        Whereabouts(place, bins.get(place.pk) or "", held[place.pk], in_lot[place.pk] if found.known_lot else None)
        for place in places.order_by("walk_order", "code")
        if place.pk in bins or held[place.pk]
    ]


def moved_label(found: Found) -> bool:
    """Whether a bin's label names another bin than the one in which the place keeps the line now."""
    if found.place is None:
        return False
    kept = found.consumable.stocking_lines.filter(place=found.place).select_related("bin").first()
    return kept is None or kept.bin != found.bin


def next_steps(found: Found, user) -> list[tuple[str, str]]:
    """(address, words) of what this user's role lets them do with it now."""
    line, lot = found.consumable.pk, found.known_lot
    steps = [
        ("log", reverse("log"), _("Log it for a case")),
        ("item", reverse("item", args=[line]), _("Every place that keeps it")),
        ("receiving", reverse("receiving"), _("Receive it")),
        ("counts", reverse("counts"), _("Count it")),
        ("labels", reverse("labels") + f"?line={line}", _("Print labels for its bins")),
        ("recall-new", reverse("recall-new"), _("Open a recall")),
    ]
    if lot:
        steps.insert(2, ("lot", reverse("lot", args=[lot.pk]), _("Where this lot went")))
    return [(address, words) for route, address, words in steps if allows(route, user)]
