"""The places sheet: carts and storerooms with their bins, and the rooms that the carts stand in or serve."""

from collections import defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

from django.db.models import Max
from django.utils.text import slugify
from django.utils.translation import gettext, gettext_noop
from django.utils.translation import gettext_lazy as _

from inventory.importing.columns import Column
from inventory.importing.loading import Loading, Outcome, assign, known, some_of
from inventory.importing.problems import NOTHING, quoted
from inventory.importing.sheets import Row
from inventory.importing.values import Choice, Code, Text, TextList, Whole
from inventory.models import Bin, CartKind, Department, Place, Room

STOREROOM = "storeroom"
EVERY_ROOM = "all"
CODES_SHOWN = 10

COLUMNS = (
    Column("place", _("Code of the cart or storeroom. One row for each of its bins"), Code(40), required=True,
           example="OR1-cart"),
    Column("kind", _("storeroom, or your own word for the kind of cart. Once for each place is enough"), Text(50),
           example="room cart"),
    Column("room", _("Where the cart is parked. Left out for a cart that is fetched, and for a storeroom"), Code(40),
           example="OR1"),
    Column("bin", _("A drawer or shelf of the place. A row without one describes the place itself"), Code(40),
           example="drawer 2"),
    Column("walk_order", _("The order in which a hand passes the bin; in a row without a bin, the order of the place "
           "on the evening round. Left out: the order of the rows"), Whole(1, 100_000), example="2"),
    Column("place_name", _("Its name on lists. Left out: its code"), Text(120), example="Cart of OR 1"),
    Column("serves", _("For a shared cart: codes of the rooms that fetch from it, or all"), TextList(),
           example="OR1; OR2"),
    Column("room_kind", _("What kind of room it stands in. Left out: operating"), Choice(tuple(Room.Kind.values)),
           example="off_site"),
    Column("restocked_from", _("Code of the storeroom that fills this cart first"), Code(40), example="MAIN"),
)  # fmt: skip


@dataclass
class _Told:
    """What the rows of one place say together: for each column the value, and the row that said it first."""

    first_row: int
    values: dict[str, object] = field(default_factory=dict)
    rows: dict[str, int] = field(default_factory=dict)
    bins: dict[str, Row] = field(default_factory=dict)
    walk_order: int | None = None

    @property
    def is_storeroom(self) -> bool:
        return str(self.values.get("kind", "")).casefold() == STOREROOM


def load(rows: Sequence[Row], loading: Loading) -> Outcome:
    """Add and update places, bins, rooms and kinds of cart; what the sheet does not name stays as it is.

    Raises SheetRefused with every problem, before anything is written.
    """
    places = {place.code: place for place in loading.department.places.select_related("kind", "room")}
    rooms = {room.code: room for room in loading.department.rooms.all()}
    told = _gather(rows, loading)
    _check(told, places, rooms, loading)
    loading.refuse_if_faulty()

    outcome = Outcome(rows=len(rows))
    _write_rooms(told, rooms, loading, outcome)
    _write_places(told, places, rooms, _kinds(told, loading, outcome), loading, outcome)
    _write_served(told, places, rooms, outcome)
    _write_bins(told, places, outcome)
    outcome.notes += cartless_note(loading.department, {places[code] for code in told})
    return outcome


def _gather(rows: Sequence[Row], loading: Loading) -> dict[str, _Told]:
    told: dict[str, _Told] = {}
    for row in rows:
        place = told.setdefault(row["place"], _Told(row.number))
        for column in ("kind", "room", "place_name", "serves", "room_kind", "restocked_from"):
            value = row[column]
            if value is None:
                continue
            if place.values.setdefault(column, value) != value:
                loading.problem(
                    row.number,
                    column,
                    quoted("; ".join(value) if isinstance(value, tuple) else value),
                    gettext("the same as in row %(rows)s, because it is the same place") % {"rows": place.rows[column]},
                )
            place.rows.setdefault(column, row.number)
        name = row["bin"]
        if name is None:
            place.walk_order = row["walk_order"] or place.walk_order
        elif name in place.bins:
            loading.problem(
                row.number,
                "bin",
                gettext("%(name)s again, first in row %(number)s")
                % {"name": quoted(name), "number": place.bins[name].number},
                gettext("every bin of a place once"),
            )
        else:
            place.bins[name] = row
    return told


def _check(told: dict[str, _Told], places: dict[str, Place], rooms: dict[str, Room], loading: Loading) -> None:
    all_rooms = rooms.keys() | {place.values["room"] for place in told.values() if "room" in place.values}
    storerooms = {code for code, place in places.items() if place.role == Place.Role.STOREROOM}
    storerooms |= {code for code, place in told.items() if place.is_storeroom}
    kinds_of_room: dict[str, str] = {}
    for code, place in told.items():
        existing = places.get(code)
        if (existing and existing.is_virtual) or code in Place.VIRTUAL:
            loading.problem(
                place.first_row, "place", quoted(code), gettext("a code that the ledger does not use itself")
            )
            continue
        if existing is None and "kind" not in place.values:
            loading.problem(
                place.first_row,
                "kind",
                NOTHING,
                gettext("%(storeroom)s or a kind of cart, for a new place") % {"storeroom": STOREROOM},
            )
        if "kind" in place.values:
            row = place.rows["kind"]
            if not slugify(place.values["kind"]):
                loading.problem(row, "kind", quoted(place.values["kind"]), gettext("a word with letters"))
            if existing and place.is_storeroom != (existing.role == Place.Role.STOREROOM):
                loading.problem(
                    row,
                    "kind",
                    quoted(place.values["kind"]),
                    gettext("%(role)s, which it is known as") % {"role": existing.get_role_display()},
                )
        if place.is_storeroom:
            for column in {"room", "serves", "restocked_from"} & place.values.keys():
                loading.problem(place.rows[column], column, "something", gettext("nothing: this place is a storeroom"))
            continue
        for room in place.values.get("serves", ()):
            if room != EVERY_ROOM and room not in all_rooms:
                expected = known(gettext("a room that a cart stands in, or all"), room, all_rooms)
                loading.problem(place.rows["serves"], "serves", quoted(room), expected)
        if (source := place.values.get("restocked_from")) and source not in storerooms:
            expected = known(gettext("the code of a storeroom"), source, storerooms)
            loading.problem(place.rows["restocked_from"], "restocked_from", quoted(source), expected)
        if "room_kind" in place.values:
            row, room, kind = place.rows["room_kind"], place.values.get("room"), place.values["room_kind"]
            if room is None:
                loading.problem(row, "room_kind", quoted(kind), gettext("a room in the same row"))
            elif kinds_of_room.setdefault(room, kind) != kind:
                loading.problem(
                    row,
                    "room_kind",
                    quoted(kind),
                    gettext("%(kinds_of_room)s, as for this room above") % {"kinds_of_room": kinds_of_room[room]},
                )


def _write_rooms(told: dict[str, _Told], rooms: dict[str, Room], loading: Loading, outcome: Outcome) -> None:
    """Rooms are passed in the order in which the sheet first names them."""
    last = max((room.walk_order for room in rooms.values()), default=0)
    new: dict[str, Room] = {}
    changed: dict[str, Room] = {}
    for place in told.values():
        code = place.values.get("room")
        if code is None:
            continue
        room = rooms.get(code)
        if room is None:
            last += 1
            new[code] = room = Room(department=loading.department, code=code, name=code, walk_order=last)
            rooms[code] = room
        if "room_kind" in place.values and assign(room, {"kind": place.values["room_kind"]}) and code not in new:
            changed[code] = room
    Room.objects.bulk_create(new.values())
    if changed:
        Room.objects.bulk_update(changed.values(), ["kind"])
    outcome.counts[gettext_noop("rooms added")] += len(new)
    outcome.counts[gettext_noop("rooms updated")] += len(changed)


def _kinds(told: dict[str, _Told], loading: Loading, outcome: Outcome) -> dict[str, CartKind]:
    kinds = {kind.code: kind for kind in loading.department.cart_kinds.all()}
    new = {}
    for place in told.values():
        word = place.values.get("kind")
        if word is not None and not place.is_storeroom and slugify(word) not in kinds.keys() | new.keys():
            new[slugify(word)] = CartKind(department=loading.department, code=slugify(word), name=word)
    CartKind.objects.bulk_create(new.values())
    outcome.counts[gettext_noop("kinds of cart added")] += len(new)
    return kinds | new


def _write_places(
    told: dict[str, _Told],
    places: dict[str, Place],
    rooms: dict[str, Room],
    kinds: dict[str, CartKind],
    loading: Loading,
    outcome: Outcome,
) -> None:
    last = max((place.walk_order for place in places.values()), default=0)
    # Storerooms first, so that carts can name them.
    for code, words in sorted(told.items(), key=lambda item: not item[1].is_storeroom):
        values: dict[str, object] = {}
        if "place_name" in words.values:
            values["name"] = words.values["place_name"]
        if words.walk_order is not None:
            values["walk_order"] = words.walk_order
        if "kind" in words.values and not words.is_storeroom:
            values["kind"] = kinds[slugify(words.values["kind"])]
        if not words.is_storeroom and loading.table.has("room"):
            values["room"] = rooms.get(words.values.get("room"))
        if "restocked_from" in words.values:
            values["restocked_from"] = places[words.values["restocked_from"]]
        place = places.get(code)
        if place is None:
            last = max(last + 1, values.get("walk_order", 0))
            role = Place.Role.STOREROOM if words.is_storeroom else Place.Role.CART
            places[code] = Place.objects.create(
                department=loading.department, code=code, role=role, **{"name": code, "walk_order": last} | values
            )
            outcome.counts[gettext_noop("places added")] += 1
        elif assign(place, values):
            place.save()
            outcome.counts[gettext_noop("places updated")] += 1


def _write_served(told: dict[str, _Told], places: dict[str, Place], rooms: dict[str, Room], outcome: Outcome) -> None:
    for code, words in told.items():
        served = words.values.get("serves")
        if served is None:
            continue
        wanted = set(rooms) if EVERY_ROOM in served else set(served)
        if wanted != set(places[code].serves.values_list("code", flat=True)):
            places[code].serves.set([rooms[room] for room in wanted])
            outcome.counts[gettext_noop("shared carts given their rooms")] += 1


def _write_bins(told: dict[str, _Told], places: dict[str, Place], outcome: Outcome) -> None:
    known_bins: dict[str, dict[str, Bin]] = defaultdict(dict)
    for bin_ in Bin.objects.filter(place__in=[places[code] for code in told]).select_related("place"):
        known_bins[bin_.place.code][bin_.code] = bin_
    new, changed = [], []
    for code, words in told.items():
        bins = known_bins[code]
        last = max((bin_.walk_order for bin_ in bins.values()), default=0)
        for name, row in words.bins.items():
            if name not in bins:
                last = row["walk_order"] or last + 1
                new.append(Bin(place=places[code], code=name, walk_order=last))
            elif row["walk_order"] and assign(bins[name], {"walk_order": row["walk_order"]}):
                changed.append(bins[name])
    Bin.objects.bulk_create(new)
    if changed:
        Bin.objects.bulk_update(changed, ["walk_order"])
    outcome.counts[gettext_noop("bins added")] += len(new)
    outcome.counts[gettext_noop("bins updated")] += len(changed)


def cartless_note(department: Department, places: Iterable[Place]) -> list[str]:
    """A warning about those carts among `places` that no case draws on, if there are any."""
    pks = {place.pk for place in places}
    carts = department.places.filter(role=Place.Role.CART, room=None, serves=None).order_by("walk_order", "code")
    codes = [quoted(cart.code) for cart in carts if cart.pk in pks]
    if not codes:
        return []
    return [
        gettext(
            "CHECK: no case draws on %(carts)s: such a cart stands in no room and serves none "
            "(columns room and serves of the places sheet)."
        )
        % {"carts": some_of(codes, CODES_SHOWN)}
    ]


def make_bins(wanted: Iterable[tuple[Place, str]], outcome: Outcome) -> dict[tuple[int, str], Bin]:
    """The bins (place, code) that are wanted, by the place's key and their code; new ones go behind the others."""
    wanted = list(dict.fromkeys(wanted))
    pks = {place.pk for place, _ in wanted}
    bins = {(bin_.place_id, bin_.code): bin_ for bin_ in Bin.objects.filter(place__in=pks)}
    last = defaultdict(
        int, Bin.objects.filter(place__in=pks).values_list("place").annotate(Max("walk_order")).order_by()
    )
    new = []
    for place, code in wanted:
        if (place.pk, code) not in bins:
            last[place.pk] += 1
            bins[place.pk, code] = Bin(place=place, code=code, walk_order=last[place.pk])
            new.append(bins[place.pk, code])
    Bin.objects.bulk_create(new)
    outcome.counts[gettext_noop("bins added")] += len(new)
    return bins
