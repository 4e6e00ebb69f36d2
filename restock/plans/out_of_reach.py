"""What listed cases are likely to use and no cart in reach of their room keeps.

Such demand is on no cart's line, so no plan line shows it: it is named beside the plan instead.
"""

from __future__ import annotations

from collections import defaultdict

from django.utils.formats import number_format
from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from inventory.models import Consumable, Owner, Place, Room

from ..learning.forecast import DayForecast

LIKELY = 0.2  # a case counts as one that likely uses it from this probability of using any


def out_of_reach(forecast: DayForecast) -> list[dict]:
    """One entry for each room and consumable, to be kept with the plan: three queries.

    `cases` likely use it, `mean` pieces together; `fetch_from` names the storeroom that is walked to, None where the
    room has none or the pharmacy keeps it.
    """
    routes, usage, slots = forecast.frame.routes, forecast.usage, forecast.known.slots
    named = sorted({pk for kind, key in usage.group_of for pk in (usage.setups.sizes[key] if kind == "run" else [key])})
    rooms = dict.fromkeys(slot.room_id for slot in slots)
    missing = {room: [n for n, pk in enumerate(named) if routes.cart_id(room, pk) is None] for room in rooms}
    cases: dict[tuple[int, int], int] = defaultdict(int)
    mean: dict[tuple[int, int], float] = defaultdict(float)
    for slot in slots:
        pmfs = usage.consumable_pmfs(slot.anywhere, named)
        for n in missing[slot.room_id]:
            if 1.0 - pmfs[n, 0] >= LIKELY:
                cases[slot.room_id, named[n]] += 1
                mean[slot.room_id, named[n]] += float(pmfs[n] @ range(pmfs.shape[1]))

    consumables = Consumable.objects.in_bulk({pk for _, pk in cases})
    room_codes = Room.objects.in_bulk({room for room, _ in cases})
    storerooms = Place.objects.in_bulk(set(routes.fallback.values()) - {None})
    entries = []
    for (room, pk), likely in cases.items():
        line, storeroom = consumables[pk], storerooms.get(routes.fallback[room])
        entries.append(
            {
                "room": room_codes[room].code,
                "code": line.code,
                "name": str(line),
                "cases": likely,
                "mean": round(mean[room, pk], 2),
                "fetch_from": storeroom.name if storeroom and line.owner != Owner.PHARMACY else None,
                "pharmacy": line.owner == Owner.PHARMACY,
            }
        )
    return sorted(entries, key=lambda entry: (-entry["mean"], entry["room"], entry["code"]))


def sentences(entries: list[dict]) -> list[str]:
    """What a person has to know about each entry, those with most pieces first."""
    return [_sentence(**entry) for entry in entries]


def _sentence(
    *, room: str, code: str, name: str, cases: int, mean: float, fetch_from: str | None, pharmacy: bool
) -> str:
    uses = ngettext("%(n)s case likely uses it", "%(n)s cases likely use it", cases) % {"n": cases}
    where = _("no storeroom is in reach either")
    if pharmacy:
        where = _("ask the pharmacy")
    elif fetch_from:
        where = _("fetch from %(storeroom)s") % {"storeroom": fetch_from}
    return _("No cart in reach of %(room)s keeps %(name)s: %(uses)s, %(mean)s pieces on average; %(where)s.") % {
        "room": room,
        "name": name,
        "uses": uses,
        "mean": number_format(mean, decimal_pos=1),
        "where": where,
    }
