"""The search box: lines, places and rooms by name or code, and a line by the barcode on its pack."""

from __future__ import annotations

from dataclasses import dataclass

from django.views.decorators.debug import sensitive_variables

from inventory.models import Consumable, Department, Place, Room
from restock.models import PlanLine

from .line_search import lines_with_words
from .word_search import with_words

SHOWN_AT_MOST = 20


@dataclass(frozen=True)
class Found:
    """What a search found, in the order of the page."""

    lines: list[Consumable]
    places: list[Place]
    rooms: list[Room]

    def __bool__(self) -> bool:
        return bool(self.lines or self.places or self.rooms)


@sensitive_variables("typed")
def find(department: Department, typed: str) -> Found:
    """Everything that has all the words in its name or code."""
    if not typed.strip():
        return Found([], [], [])
    places = Place.objects.filter(department=department).physical().select_related("room")
    rooms = Room.objects.filter(department=department)
    return Found(
        lines=lines_with_words(department, typed),
        places=list(with_words(places, typed, "name", "code")[:SHOWN_AT_MOST]),
        rooms=list(with_words(rooms, typed, "name", "code")[:SHOWN_AT_MOST]),
    )


def where_kept(item: Consumable, plan_id: int | None) -> list[tuple[Place, int | None, int, int | None]]:
    """Every place that keeps or holds the item: (place, par, pieces on record, its plan line), in walking order."""
    par = dict(item.stocking_lines.values_list("place", "par"))
    held: dict[int, int] = {}
    for place, quantity in item.holdings.values_list("place", "quantity"):
        held[place] = held.get(place, 0) + quantity
    planned = dict(PlanLine.objects.filter(plan=plan_id, consumable=item).values_list("place", "pk"))
    places = Place.objects.filter(department=item.department_id, pk__in=par.keys() | held.keys()).physical()
    return [
        (place, par.get(place.pk), held.get(place.pk, 0), planned.get(place.pk))
        for place in places.select_related("room").order_by("walk_order", "code")
        if place.pk in par or held.get(place.pk)
    ]
