"""Invented case lists: full on weekdays, emergencies at the weekend, some cancelled and some added on the day."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np

from .fiction import WEEKDAYS, Fiction, TypeOfCase

LIST_STARTS_MINUTE = 8 * 60
LIST_MINUTES = 9 * 60
CANCELLED = 0.05  # Schuster 2011: 5.0 % of booked cases at smaller hospitals
ADDED = 0.04  # of the cases of a weekday; invented
WEEKEND_EMERGENCIES = 3.0  # mean number in a room that is open; invented


@dataclass(frozen=True)
class DrawnCase:
    """One invented slot. `start_minute` counts from midnight."""

    date: date
    room: str
    order: int
    start_minute: int
    case_type: str
    size_class: str
    extras: tuple[str, ...]
    urgency: str
    cancelled: bool = False
    added: bool = False


def draw_past(fiction: Fiction, *, first: date, last: date, rng: np.random.Generator) -> list[DrawnCase]:
    """All cases of the days from `first` to `last`, both included, in the order of day, room and list."""
    drawn = []
    for number in range((last - first).days + 1):
        day = first + timedelta(days=number)
        weekday = WEEKDAYS[day.weekday()]
        for room in fiction.rooms:
            weights = fiction.room_lists.get((room, weekday))
            if weights:
                types = _draw_list(fiction, weights, weekend=day.weekday() >= 5, rng=rng)
                drawn += _slots(day, room, types, rng=rng, past=True)
    return drawn


def draw_tomorrow(fiction: Fiction, day: date, rng: np.random.Generator) -> list[DrawnCase]:
    """The list for `day`: always that of a full operating day, whichever weekday it is."""
    drawn = []
    for room in fiction.rooms:
        counts = fiction.room_lists.get((room, "tomorrow"), {})
        types = [fiction.types[code] for code, count in counts.items() for _ in range(int(count))]
        drawn += _slots(day, room, types, rng=rng, past=False)
    return drawn


def _draw_list(
    fiction: Fiction, weights: dict[str, float], *, weekend: bool, rng: np.random.Generator
) -> list[TypeOfCase]:
    """Case types of one room's day: until the list is full, or as many emergencies as come in."""
    codes = list(weights)
    shares = np.array(list(weights.values()))
    shares /= shares.sum()
    emergencies = rng.poisson(WEEKEND_EMERGENCIES) if weekend else None
    types, minutes = [], 0
    while True:
        kind = fiction.types[codes[rng.choice(len(codes), p=shares)]]
        needs = kind.typical_minutes + kind.turnover_minutes
        if emergencies is not None:
            if len(types) >= emergencies:
                return types
        elif minutes + needs > LIST_MINUTES + kind.turnover_minutes or len(types) >= kind.cases_per_room_day:
            return types or [kind]
        types.append(kind)
        minutes += needs


def _slots(day: date, room: str, types: list[TypeOfCase], *, rng: np.random.Generator, past: bool) -> list[DrawnCase]:
    slots, minute = [], LIST_STARTS_MINUTE
    for order, kind in enumerate(types, start=1):
        added = past and bool(rng.random() < ADDED)
        cancelled = past and not added and bool(rng.random() < CANCELLED)
        slots.append(
            DrawnCase(
                date=day,
                room=room,
                order=order,
                start_minute=min(minute, 23 * 60 + 30),
                case_type=kind.code,
                size_class=_one_of(kind.size_classes, rng),
                extras=tuple(extra for extra, booked in kind.extras.items() if rng.random() < booked),
                urgency="urgent" if added and kind.urgency == "elective" else kind.urgency,
                cancelled=cancelled,
                added=added,
            )
        )
        if not cancelled:
            takes = kind.typical_minutes
            if past:
                takes = round(rng.triangular(kind.shortest_minutes, kind.typical_minutes, kind.longest_minutes))
            minute += takes + kind.turnover_minutes
    return slots


def _one_of(weights: dict[str, float], rng: np.random.Generator) -> str:
    shares = np.array(list(weights.values()))
    return list(weights)[rng.choice(len(shares), p=shares / shares.sum())]
