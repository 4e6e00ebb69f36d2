"""What if: the plan again for a day that is only supposed, answered as a difference. Nothing is written.

A supposition comes from a TOML file:

    [[add]]                      # cases that nobody has listed yet
    room = "OR-03"
    case_type = "CT04"
    size_class = "adult"         # the department's default where left out
    extras = ["arterial-line-set"]
    count = 2                    # 1 where left out

    [[cancel]]                   # a room's list, or some places in it
    room = "OR-05"
    orders = [3, 4]              # all where left out

    [[swap]]                     # two rooms trade their lists
    rooms = ["OR-01", "OR-02"]

    [[close]]                    # a room does not open
    room = "OR-07"
    moved_to = "OR-08"           # its list is cancelled where left out

    [[back_order]]               # the storerooms have none of it
    code = "TT09"

    [delivery]                   # what the storerooms wait for comes later than it usually does
    late_days = 3
"""

from __future__ import annotations

import tomllib
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path

import numpy as np

from inventory.models import Department, Place, StockingLine
from inventory.orders import coming

from ..cases.setups import Slot
from ..forecasting import demand
from ..learning.forecast import forecast_day, kinds_of_case, read_frame, read_known, with_list
from ..learning.lead_times import policies_of
from ..learning.usage import learn_usage
from ..models import Policy, StoreroomCover
from ..plans.planning import Draft, decide
from ..plans.stock import Stock, read_stock

CODES_SHOWN = 12
MOST_LATE_DAYS = 60
MOST_ADDED = 50


class NotSupposable(ValueError):
    """The file says something that cannot be supposed; the message says where, and what was expected."""


@dataclass(frozen=True)
class Supposition:
    """What is different on the supposed day. Keys are primary keys; `cancelled` are places in the day's list."""

    added: tuple[Slot, ...] = ()
    cancelled: tuple[int, ...] = ()
    moved: tuple[tuple[int, int], ...] = ()  # (from room, to room)
    back_ordered: frozenset[int] = frozenset()
    delivery_late_days: int = 0

    def of_list(self, slots: tuple[Slot, ...]) -> tuple[Slot, ...]:
        kept = [slot for n, slot in enumerate(slots) if n not in self.cancelled]
        to = dict(self.moved)
        return tuple(replace(slot, room_id=to.get(slot.room_id, slot.room_id)) for slot in [*kept, *self.added])

    def of_stock(self, stock: Stock) -> Stock:
        lots = {key: lots for key, lots in stock.in_store.items() if key[1] not in self.back_ordered}
        return replace(stock, in_store=lots)


@dataclass(frozen=True)
class Difference:
    """One line that is planned otherwise. Pieces and chances before (as listed) and after (as supposed)."""

    line: int
    need: tuple[int, int]
    top_up: tuple[int, int]
    allocated: tuple[int, int]
    p_short: tuple[float, float]


@dataclass(frozen=True)
class Answer:
    """Both plans, and the lines in which they differ, those that lose most first."""

    before: Draft
    after: Draft
    differences: tuple[Difference, ...]


@dataclass(frozen=True)
class RunningOut:
    """A storeroom line that lasts until a delivery that comes as usual, and may not until a late one.

    delivery_days: the days by which a delivery has usually come at the latest.
    """

    cover: StoreroomCover
    delivery_days: int


def suppose(department: Department, day: date, supposition: Supposition, *, policy: Policy) -> Answer:
    """Plan the day as it is listed and as it is supposed, from the same learning and the same counts."""
    frame, known = read_frame(department), read_known(department, day)
    supposed = supposition.of_list(known.slots)
    usage = learn_usage(frame.setups, known.tallies, [*known.slots, *supposed, *kinds_of_case(known)])
    stock = read_stock(department, frame.lines, on=day)

    listed = forecast_day(frame, known, usage=usage)
    before = decide(listed, stock, policy=policy)
    after = decide(with_list(listed, supposed), supposition.of_stock(stock), policy=policy)
    return Answer(before, after, _differences(before, after))


def cases_of_room(slots: Sequence[Slot], room_id: int) -> tuple[int, ...]:
    """Places of a room's cases in the day's list, as `Supposition.cancelled` wants them."""
    return tuple(n for n, slot in enumerate(slots) if slot.room_id == room_id)


def running_out(
    department: Department, covers: Sequence[StoreroomCover], *, today: date, late_days: int
) -> tuple[RunningOut, ...]:
    """Storeroom lines that may not last until a delivery that comes so many days late, soonest to run out first.

    today: the day from which deliveries are waited for. covers: how long each line lasts, from the day on which that
    was worked out (supervising.cover).
    """
    waits: dict[tuple[int, int], int] = {}
    for due in coming(department, today=today):  # soonest first
        if due.expected_on and not due.late:
            waits.setdefault((due.storeroom_id, due.consumable_id), (due.expected_on - today).days)
    lines = StockingLine.objects.filter(place__department=department, place__role=Place.Role.STOREROOM)
    policies = {
        (one.stocking_line.place_id, one.stocking_line.consumable_id): one
        for one in policies_of(list(lines), department, today=today)
    }
    found = []
    for cover in covers:
        key = cover.place_id, cover.consumable_id
        if key not in policies or (cover.open_ended and cover.low == cover.high):
            continue  # it lasts for longer than was looked ahead
        usual_days = policies[key].longest_lead_days
        wait_days = waits.get(key, usual_days)  # until the open order comes, or else one that is placed today
        lasts_days = cover.low - (today - department.local_date(cover.made_at)).days
        if wait_days <= lasts_days < wait_days + late_days:
            found.append((lasts_days, RunningOut(cover, usual_days)))
    return tuple(one for _days, one in sorted(found, key=lambda pair: pair[0]))


def read_supposition(path: Path, department: Department, day: date) -> Supposition:
    """Read a file as in this module's description. Raises NotSupposable with all that is wrong in it."""
    try:
        content = tomllib.loads(path.read_text(encoding="utf-8"))
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise NotSupposable(f"{path.name} cannot be read as TOML: {error}") from None
    return _Reader(path.name, department, day).supposition(content)


class _Reader:
    """Turns the file's words into keys, and collects everything that is wrong before it says so."""

    KEYS = {
        "add": {"room", "case_type", "size_class", "extras", "count"},
        "cancel": {"room", "orders"},
        "swap": {"rooms"},
        "close": {"room", "moved_to"},
        "back_order": {"code"},
    }

    def __init__(self, file: str, department: Department, day: date) -> None:
        self.file, self.problems = file, []
        self.rooms = dict(department.rooms.values_list("code", "pk"))
        self.consumables = dict(department.consumables.values_list("code", "pk"))
        self.case_types = {t.code: t for t in department.case_types.all()}
        self.extras = dict(department.extras.values_list("code", "pk"))
        self.size_classes = dict(department.size_classes.values_list("code", "pk"))
        default = department.size_classes.order_by("-is_default", "position").first()
        self.default_size_class = default and default.code
        listed = department.cases.filter(date=day).exclude(status="cancelled")
        self.listed = list(listed.order_by("room__walk_order", "room", "order").values_list("room", "order"))

    def supposition(self, content: dict) -> Supposition:
        late_days = self._late_days(content.pop("delivery", {}))
        for name, entries in content.items():
            if name not in self.KEYS or not isinstance(entries, list):
                self._wrong(name, f"expected tables named {', '.join(f'[[{known}]]' for known in self.KEYS)}")
        entries = {name: self._entries(name, content.get(name, [])) for name in self.KEYS}
        added = tuple(slot for where, entry in entries["add"] for slot in self._added(where, entry))
        cancelled = [n for where, entry in entries["cancel"] for n in self._cancelled(where, entry)]
        moved: list[tuple[int, int]] = []
        for where, entry in entries["swap"]:
            rooms = entry.get("rooms")
            if not isinstance(rooms, list) or len(rooms) != 2:
                self._wrong(where, 'expected two rooms: rooms = ["OR-01", "OR-02"]')
                continue
            first, second = (self._known(where, "room", room, self.rooms) for room in rooms)
            moved += [(first, second), (second, first)]
        for where, entry in entries["close"]:
            room = self._known(where, "room", entry.get("room"), self.rooms)
            if "moved_to" in entry:
                moved.append((room, self._known(where, "moved_to", entry["moved_to"], self.rooms)))
            else:
                cancelled += [n for n, (of_room, _) in enumerate(self.listed) if of_room == room]
        codes = [
            self._known(where, "code", entry.get("code"), self.consumables) for where, entry in entries["back_order"]
        ]
        if self.problems:
            raise NotSupposable("\n".join(self.problems))
        return Supposition(added, tuple(cancelled), tuple(moved), frozenset(codes), late_days)

    def _late_days(self, delivery) -> int:
        if not isinstance(delivery, dict):
            self._wrong("delivery", "expected a table named [delivery]")
            return 0
        self._refuse_unknown("[delivery]", delivery, {"late_days"})
        return self._whole("[delivery]", "late_days", delivery.get("late_days", 0), 0, MOST_LATE_DAYS)

    def _entries(self, name: str, entries) -> list[tuple[str, dict]]:
        named = []
        for n, entry in enumerate(entries if isinstance(entries, list) else [], start=1):
            where = f"[[{name}]] number {n}"
            if not isinstance(entry, dict):
                self._wrong(where, f"expected a table with {', '.join(sorted(self.KEYS[name]))}")
                continue
            self._refuse_unknown(where, entry, self.KEYS[name])
            named.append((where, entry))
        return named

    def _refuse_unknown(self, where: str, entry: dict, known: set[str]) -> None:
        if unknown := sorted(set(entry) - known):
            self._wrong(where, f"{', '.join(unknown)} is not known here: expected {', '.join(sorted(known))}")

    def _added(self, where: str, entry: dict) -> list[Slot]:
        room = self._known(where, "room", entry.get("room"), self.rooms)
        case_type = self._known(where, "case_type", entry.get("case_type"), self.case_types)
        size = self._known(where, "size_class", entry.get("size_class", self.default_size_class), self.size_classes)
        booked = self._listed(where, "extras", entry.get("extras", []))
        extras = frozenset(self._known(where, "extras", code, self.extras) for code in booked)
        count = self._whole(where, "count", entry.get("count", 1), 1, MOST_ADDED)
        if case_type is None:
            return []
        return [Slot(room, case_type.pk, case_type.technique_id, size, extras)] * count

    def _cancelled(self, where: str, entry: dict) -> list[int]:
        room = self._known(where, "room", entry.get("room"), self.rooms)
        places = {order: n for n, (of_room, order) in enumerate(self.listed) if of_room == room}
        orders = self._listed(where, "orders", entry.get("orders", list(places)))
        if room and (not places or not all(type(order) is int and order in places for order in orders)):
            self._wrong(where, f"{entry['room']} has no such case on its list that day")
            return []
        return [places[order] for order in orders if order in places]

    def _known(self, where: str, key: str, code, among: dict):
        if isinstance(code, str) and code in among:
            return among[code]
        codes = sorted(among)
        shown = ", ".join(codes[:CODES_SHOWN]) + (" ..." if len(codes) > CODES_SHOWN else "")
        self._wrong(where, f"{key} is {code!r}: expected one of {shown}")
        return None

    def _listed(self, where: str, key: str, values) -> list:
        if isinstance(values, list):
            return values
        self._wrong(where, f"{key} is {values!r}: expected a list in brackets")
        return []

    def _whole(self, where: str, key: str, number, least: int, most: int) -> int:
        if type(number) is int and least <= number <= most:
            return number
        self._wrong(where, f"{key} is {number!r}: expected a whole number from {least} to {most}")
        return least

    def _wrong(self, where: str, what: str) -> None:
        self.problems.append(f"{self.file}, {where}: {what}.")


def _differences(before: Draft, after: Draft) -> tuple[Difference, ...]:
    p_short = [demand.p_short(d.forecast.pmf, d.stock.usable + d.allocated) for d in (before, after)]
    changed = (
        (before.q_service != after.q_service) | (before.top_up != after.top_up) | (before.allocated != after.allocated)
    )
    worst_first = np.argsort(p_short[0] - p_short[1], kind="stable")
    return tuple(
        Difference(
            line=int(n),
            need=(int(before.q_service[n]), int(after.q_service[n])),
            top_up=(int(before.top_up[n]), int(after.top_up[n])),
            allocated=(int(before.allocated[n]), int(after.allocated[n])),
            p_short=(float(p_short[0][n]), float(p_short[1][n])),
        )
        for n in worst_first
        if changed[n]
    )
