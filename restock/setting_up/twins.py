"""How each cart differs from the others of its kind.

The standard of a kind is what its carts have in common: a line belongs to it when more than half of them keep it, with
the par that most of those agree on (the smaller of two that are as frequent). A person who finds every drawer alike
finds things blind; differences that are wanted stay, the list only shows them.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from enum import Enum

from inventory.models import CartKind, Consumable, Department, Place, StockingLine

FEWEST_CARTS = 3  # of two carts nobody can say which one differs


class Differs(Enum):
    """How a cart differs in a line."""

    MISSING = "missing"
    EXTRA = "extra"
    PAR = "par"


@dataclass(frozen=True)
class Difference:
    """One line. par: on this cart, None where it does not keep it; standard: of the kind, None where that has none."""

    how: Differs
    consumable: int
    par: int | None
    standard: int | None


@dataclass(frozen=True)
class Twin:
    """One cart with its differences, missing lines first. lines: how many it keeps."""

    place: Place
    lines: int
    differences: tuple[tuple[Difference, Consumable], ...]

    def how_many(self, how: Differs) -> int:
        return sum(difference.how == how for difference, _ in self.differences)

    @property
    def missing(self) -> int:
        return self.how_many(Differs.MISSING)

    @property
    def extra(self) -> int:
        return self.how_many(Differs.EXTRA)

    @property
    def other_par(self) -> int:
        return self.how_many(Differs.PAR)


@dataclass(frozen=True)
class KindOfCart:
    """A kind with at least three carts. lines: of its standard."""

    kind: CartKind
    lines: int
    carts: tuple[Twin, ...]


def standard_of(carts: Iterable[Mapping[int, int]]) -> dict[int, int]:
    """Par of each line that more than half of the carts keep. Each cart maps its lines to its pars."""
    carts = list(carts)
    pars: dict[int, Counter[int]] = defaultdict(Counter)
    for cart in carts:
        for consumable, par in cart.items():
            pars[consumable][par] += 1
    return {
        consumable: min(found, key=lambda par, found=found: (-found[par], par))
        for consumable, found in pars.items()
        if 2 * found.total() > len(carts)
    }


def differences(cart: Mapping[int, int], standard: Mapping[int, int]) -> list[Difference]:
    """Missing lines, then further ones, then other pars."""
    missing = [Difference(Differs.MISSING, c, None, par) for c, par in standard.items() if c not in cart]
    extra = [Difference(Differs.EXTRA, c, par, None) for c, par in cart.items() if c not in standard]
    other = [
        Difference(Differs.PAR, c, par, standard[c]) for c, par in cart.items() if c in standard and standard[c] != par
    ]
    return missing + extra + other


def cart_twins(department: Department) -> list[KindOfCart]:
    """Every kind with enough carts to have a standard, its carts in walking order: four queries."""
    carts = Place.objects.filter(department=department).carts().exclude(kind=None).select_related("kind", "room")
    pars: dict[int, dict[int, int]] = defaultdict(dict)
    rows = StockingLine.objects.filter(place__in=carts).order_by("consumable__section", "consumable__code")
    for place, consumable, par in rows.values_list("place", "consumable", "par"):
        pars[place][consumable] = par
    by_kind: dict[CartKind, list[Place]] = defaultdict(list)
    for cart in carts.order_by("kind__name", "walk_order", "code"):
        by_kind[cart.kind].append(cart)

    found = []
    for kind, places in by_kind.items():
        if len(places) >= FEWEST_CARTS:
            standard = standard_of(pars[place.pk] for place in places)
            found.append((kind, len(standard), [(p, differences(pars[p.pk], standard)) for p in places]))
    named = {one.consumable for _, _, twins in found for _, differs in twins for one in differs}
    consumables = Consumable.objects.in_bulk(named)
    return [
        KindOfCart(
            kind,
            lines,
            tuple(
                Twin(place, len(pars[place.pk]), tuple((one, consumables[one.consumable]) for one in differs))
                for place, differs in twins
            ),
        )
        for kind, lines, twins in found
    ]
