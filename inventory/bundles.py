"""Bundles: pieces made up in advance into a line of their own, and taken apart again.

A bundle is a line of the catalogue with a content list (BundlePiece). Made up, its pieces leave the place for the
virtual place `assembly` and bundles come back from there, as a lot of their own that expires with the first of its
pieces; the Assembly row ties the bundles' lot to the lots in it. So no piece is ever in two places of the ledger: in a
bundle it is no loose piece any more, and a bundle's use is a use of the bundle alone. A recall of a piece finds the
bundles that hold it (`lots_holding`).

A bundle holds what was put into it, not what its content list says today.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import date, datetime

from django.db import transaction
from django.db.models import F, Sum
from django.utils.translation import gettext as _

from . import ledger
from .fefo import LotOnHand, choose_lots
from .ledger.balances import lock
from .models import Assembly, BundlePiece, Consumable, Holding, Lot, Movement, Place

Kind = Movement.Kind


@dataclass(frozen=True, slots=True)
class Lack:
    """A line of which a place holds fewer usable pieces than so many bundles need."""

    piece: Consumable
    needed: int
    usable: int

    @property
    def missing(self) -> int:
        return self.needed - self.usable


class PiecesLacking(ledger.Refused):
    """A storeroom has too few usable pieces for the bundles; `lacks` says of which lines."""

    def __init__(self, *, place: Place, bundle: Consumable, bundles: int, lacks: Sequence[Lack]) -> None:
        self.lacks = tuple(lacks)
        each = "; ".join(
            _("%(line)s: %(needed)d needed, %(usable)d usable, %(missing)d missing")
            % {"line": lack.piece.label, "needed": lack.needed, "usable": lack.usable, "missing": lack.missing}
            for lack in self.lacks
        )
        words = {"place": place, "bundles": bundles, "bundle": bundle.label, "each": each}
        super().__init__(_("%(place)s has too few pieces for %(bundles)d × %(bundle)s. %(each)s.") % words)


@dataclass(frozen=True, slots=True)
class PiecesIn:
    """Pieces of one lot (None where nobody knew it) that the bundles of a lot hold together."""

    piece: Consumable
    lot: Lot | None
    pieces: int


@transaction.atomic
def make_up(*, place: Place, bundle: Consumable, bundles: int, by, at: datetime, key: str) -> Assembly:
    """Record that so many bundles were made up at a place from the pieces there.

    Pieces are taken from usable lots, those that expire first before the others. All bundles of one go are one lot,
    which expires with the first of their pieces: make up separately what has to be told apart. At a cart, where what
    was done is a fact, pieces beyond its record are taken from those without a lot.

    Raises PiecesLacking at a storeroom that holds too few, Refused for a bundle without a content list or fewer than
    one bundle, KeyReused for a known key with other content.
    """
    contents = list(bundle.bundle_pieces.select_related("piece"))
    if not contents:
        raise ledger.Refused(_("%(bundle)s has no content list: say first what goes into it.") % {"bundle": bundle})
    _refuse_none(bundles)
    assembly = ledger.virtual_place(place.department_id, Place.Role.ASSEMBLY)
    lock((pk, at_place) for pk in (bundle.pk, *(c.piece_id for c in contents)) for at_place in (place.pk, assembly.pk))
    told = (Assembly.Kind.MADE_UP, place.pk, bundle.pk, bundles)
    if known := _known(key, told):
        return known

    chosen = _choose(place, bundle, contents, bundles, on=place.department.local_date(at))
    dates = Lot.objects.filter(pk__in={lot_id for _piece, lot_id, _pieces in chosen}, expires_on__isnull=False)
    lot = Lot.objects.create(
        consumable=bundle,
        number=_next_number(bundle, place.department.local_date(at)),
        expires_on=dates.order_by("expires_on").values_list("expires_on", flat=True).first(),
    )
    parts = [(assembly, place, bundle.pk, lot.pk, bundles)]
    parts += [(place, assembly, piece_id, lot_id, pieces) for piece_id, lot_id, pieces in chosen]
    return _write(told, lot, parts, kind=Kind.MAKE_UP, by=by, at=at, key=key)


@transaction.atomic
def take_apart(*, place: Place, lot: Lot, bundles: int, by, at: datetime, key: str) -> Assembly:
    """Record that so many bundles of a lot were taken apart at a place, and their pieces put back there.

    Where pieces of several lots went into the bundles, nobody knows which of them these bundles held: those that
    expire first are taken to be back, so that their date is looked for. Who puts them back reads the packs.

    Raises InsufficientStock at a storeroom that holds fewer of the lot, Refused where fewer stand than are to be taken
    apart, KeyReused for a known key with other content.
    """
    _refuse_none(bundles)
    assembly = ledger.virtual_place(place.department_id, Place.Role.ASSEMBLY)
    pieces_of_lot = Movement.objects.filter(assemblies__lot=lot).values_list("consumable", flat=True).distinct()
    lock((pk, at_place) for pk in {lot.consumable_id, *pieces_of_lot} for at_place in (place.pk, assembly.pk))
    told = (Assembly.Kind.TAKEN_APART, place.pk, lot.consumable_id, bundles)
    if known := _known(key, told, lot):
        return known

    standing = bundles_of(lot)
    if bundles > standing:
        words = {"lot": lot, "standing": standing, "bundles": bundles}
        raise ledger.Refused(_("Of lot %(lot)s %(standing)d are not taken apart yet; not %(bundles)d.") % words)
    held = Holding.objects.filter(place=place, consumable=lot.consumable_id, lot=lot).aggregate(n=Sum("quantity"))["n"]
    if place.role == Place.Role.STOREROOM and (held or 0) < bundles:
        raise ledger.InsufficientStock(
            consumable=lot.consumable, place=place, lot=lot, asked_pieces=bundles, held_pieces=held or 0
        )
    parts = [(place, assembly, lot.consumable_id, lot.pk, bundles)]
    parts += [
        (assembly, place, one.piece.pk, one.lot and one.lot.pk, one.pieces)
        for one in _share(pieces_in(lot), bundles, standing)
    ]
    return _write(told, lot, parts, kind=Kind.TAKE_APART, by=by, at=at, key=key)


@transaction.atomic
def take_back(*, assembly: Assembly, by, at: datetime, key: str) -> None:
    """Record that an assembly never happened: every movement of it is reversed. The same key again changes nothing.

    Raises Refused where what came of it is not all at its place any more, NotReversible where it was taken back.
    """
    movements = list(assembly.movements.select_related("consumable", "lot").order_by("consumable", "pk"))
    lock((m.consumable_id, place) for m in movements for place in (m.source_id, m.destination_id))
    if Movement.objects.filter(key=key).exists():
        return
    for movement in movements:
        if movement.destination_id != assembly.place_id:
            continue
        here = Holding.objects.filter(place=assembly.place_id, consumable=movement.consumable_id, lot=movement.lot_id)
        if (here.values_list("quantity", flat=True).first() or 0) < movement.quantity:
            words = {"line": movement.consumable.label, "lot": movement.lot or "-", "place": assembly.place}
            raise ledger.Refused(
                _("Not all of %(line)s, lot %(lot)s, is in %(place)s any more: record what happened to it instead.")
                % words
            )
    for number, movement in enumerate(movements, start=1):
        ledger.reverse(movement=movement, by=by, at=at, key=ledger.part_key(key, number), reason="taken back")


def bundles_of(lot: Lot) -> int:
    """Bundles of a lot that were made up and not taken apart again, wherever they are now, used ones included."""
    own = _standing(lot).filter(consumable=lot.consumable_id).values_list("kind").annotate(n=Sum("quantity"))
    pieces = dict(own.order_by())
    return pieces.get(Kind.MAKE_UP, 0) - pieces.get(Kind.TAKE_APART, 0)


def pieces_in(lot: Lot) -> list[PiecesIn]:
    """What the bundles of a lot hold together, lot by lot, those that expire first before the others of a line."""
    inside: Counter[tuple[int, int | None]] = Counter()
    things: dict[tuple[int, int | None], Movement] = {}
    movements = _standing(lot).exclude(consumable=lot.consumable_id).select_related("consumable", "lot")
    for movement in movements:
        key = movement.consumable_id, movement.lot_id
        things[key] = movement
        inside[key] += movement.quantity if movement.kind == Kind.MAKE_UP else -movement.quantity
    held = [PiecesIn(things[key].consumable, things[key].lot, pieces) for key, pieces in inside.items() if pieces]
    return sorted(held, key=lambda one: (one.piece.section, one.piece.code, _last_day(one.lot)))


def lots_holding(lots: Iterable[Lot], *, or_unknown: bool = False) -> list[Lot]:
    """Lots of bundles into which pieces of these lots went, bundles that hold such bundles included.

    or_unknown: also lots of bundles into which pieces of the same lines went whose lot nobody knew. A lot of which
    some bundles were taken apart stays among them, because nobody knows which pieces came back: whether any bundle of
    it is left, and where, its balances say.
    """
    found: dict[int, Lot] = {}
    asked = list(lots)
    while asked:
        went_in = Movement.objects.not_reversed().filter(kind=Kind.MAKE_UP, destination__role=Place.Role.ASSEMBLY)
        known = went_in.filter(lot__in=asked)
        if or_unknown:
            known = known | went_in.filter(lot=None, consumable__in={lot.consumable_id for lot in asked})
        holding = Lot.objects.filter(assemblies__movements__in=known).select_related("consumable").distinct()
        asked = [lot for lot in holding if lot.pk not in found]
        found |= {lot.pk: lot for lot in asked}
    return sorted(found.values(), key=lambda lot: (lot.consumable.code, lot.number))


def _choose(
    place: Place, bundle: Consumable, contents: Sequence[BundlePiece], bundles: int, *, on: date
) -> list[tuple[int, int | None, int]]:
    """(piece, lot or None, pieces) to take, by primary keys. Raises PiecesLacking at a storeroom."""
    held = defaultdict(list)
    holdings = Holding.objects.filter(place=place, consumable__in=[content.piece_id for content in contents])
    holdings = holdings.marked_usable(on=on).select_related("lot")
    for h in holdings.order_by(F("lot__expires_on").asc(nulls_last=True), "lot"):
        held[h.consumable_id].append(LotOnHand(h.lot_id, h.lot and h.lot.expires_on, h.quantity, h.is_usable))

    chosen, lacks = [], []
    for content in sorted(contents, key=lambda content: content.piece_id):
        needed = bundles * content.pieces_per_bundle
        choice = choose_lots(held[content.piece_id], needed_pieces=needed, on=on)
        if choice.short_pieces:
            lacks.append(Lack(content.piece, needed, needed - choice.short_pieces))
        taken = Counter(dict(choice.taken))
        taken[None] += choice.short_pieces
        chosen += [(content.piece_id, lot_id, pieces) for lot_id, pieces in taken.items() if pieces]
    if lacks and place.role == Place.Role.STOREROOM:
        raise PiecesLacking(place=place, bundle=bundle, bundles=bundles, lacks=lacks)
    return chosen


def _share(inside: Sequence[PiecesIn], bundles: int, standing: int) -> list[PiecesIn]:
    """What `bundles` of `standing` hold: of every line its share, from the lots that expire first."""
    in_all: Counter[int] = Counter()
    for one in inside:
        in_all[one.piece.pk] += one.pieces
    wanted = {pk: pieces // standing * bundles for pk, pieces in in_all.items()}
    share = []
    for one in inside:
        pieces = min(one.pieces, wanted[one.piece.pk])
        wanted[one.piece.pk] -= pieces
        if pieces:
            share.append(PiecesIn(one.piece, one.lot, pieces))
    return share


def _write(
    told: tuple, lot: Lot, parts: list[tuple[Place, Place, int, int | None, int]], *, kind: Kind, by, at, key: str
) -> Assembly:
    assembly_kind, place_id, bundle_id, bundles = told
    written = ledger.record(
        (
            ledger.Entry(
                kind=kind,
                source=source,
                destination=destination,
                consumable=consumable,
                lot=lot_id,
                quantity=pieces,
                at=at,
                key=ledger.part_key(key, number),
            )
            for number, (source, destination, consumable, lot_id, pieces) in enumerate(parts, start=1)
        ),
        by=by,
    )
    assembly = Assembly.objects.create(
        kind=assembly_kind, place_id=place_id, bundle_id=bundle_id, bundles=bundles, lot=lot, by=by, at=at, key=key
    )
    assembly.movements.set(written)
    return assembly


def _known(key: str, told: tuple, lot: Lot | None = None) -> Assembly | None:
    """The assembly that was recorded with this key. Raises KeyReused where it was another one."""
    known = Assembly.objects.select_related("lot", "place", "bundle").filter(key=key).first()
    if known is None:
        return None
    is_same_lot = lot is None or known.lot_id == lot.pk
    if (known.kind, known.place_id, known.bundle_id, known.bundles) != told or not is_same_lot:
        raise ledger.KeyReused(key)
    return known


def _standing(lot: Lot):
    return Movement.objects.not_reversed().filter(assemblies__lot=lot)


def _next_number(bundle: Consumable, day: date) -> str:
    """The number of a new lot of bundles: M for made up, the day, and which lot of that day it is.

    Short enough and of such characters as GS1 application identifier (10) admits. The bundle's balances are locked, so
    nobody else counts at the same time.
    """
    first = f"M{day:%Y%m%d}-"
    return f"{first}{Lot.objects.filter(consumable=bundle, number__startswith=first).count() + 1}"


def _refuse_none(bundles: int) -> None:
    if bundles < 1:
        raise ledger.Refused(_("At least one bundle is made up or taken apart."))


def _last_day(lot: Lot | None) -> date:
    return (lot and lot.expires_on) or date.max
