"""What a pick list says, read from a stored plan and put in the order in which a person walks."""

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime

from django.db.models import Max, Q
from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from inventory.models import Bin, Count, Packaging, Place, StockingLine, bin_order
from restock.ages import age_words
from restock.models import Pick, Plan, PlanLine, Shortage, Substitution
from restock.plans.missing import p_short_as_it_will_stand
from restock.plans.out_of_reach import sentences
from restock.reasons import may_run_short
from restock.stock_life.substitutions import active, by_wanted


@dataclass(frozen=True, slots=True)
class PickRow:
    """One pick, and in words what all picks of the same lot from the same bin come to."""

    pick: Pick
    opens_group: bool
    in_all: str


@dataclass(frozen=True, slots=True)
class CartRow:
    """One line of a cart that needs pieces or a count. `count_age` is in words, at the time of the plan.

    `short_by`: pieces that stay missing, because the storerooms lack them or the bin is too small.
    """

    line: PlanLine
    bin: Bin | None
    count_age: str
    short_by: int


@dataclass(frozen=True, slots=True)
class ShortRow:
    """One line that stays short. `p_short`: the chance that it runs short on the day as it will stand.

    stand_ins: cards that say what may be taken for it. They change no number on the list.
    """

    shortage: Shortage
    bin: Bin | None
    p_short: float
    stand_ins: tuple[Substitution, ...] = ()


@dataclass(frozen=True, slots=True)
class PickList:
    """A plan as it is carried: storerooms and carts in walking order, each with its rows.

    shortages: those first that may run short on the day, worst first. out_of_reach: sentences about booked demand that
    no cart in reach can serve.
    """

    plan: Plan
    storerooms: tuple[tuple[Place, tuple[PickRow, ...]], ...]
    carts: tuple[tuple[Place, tuple[CartRow, ...]], ...]
    carts_without_rows: tuple[Place, ...]
    shortages: tuple[ShortRow, ...]
    out_of_reach: tuple[str, ...]
    count_ages: str


def pick_list(plan: Plan) -> PickList:
    """Read everything that the workbook of `plan` shows, in a fixed number of queries.

    Prefetched, not joined: a consumable that thirty carts keep is made once.
    """
    worth_a_row = Q(top_up__gt=0) | Q(on_hand__lt=0) | Q(shortage__isnull=False)
    lines = plan.lines.filter(worth_a_row).select_related("shortage").prefetch_related("place__room", "consumable")
    lines = list(lines.defer("pmf"))
    all_lines = list(plan.lines.order_by().values_list("place", "consumable"))
    carts = list(
        Place.objects.filter(pk__in={place for place, _ in all_lines})
        .select_related("room")
        .order_by("walk_order", "code")
    )
    bins = {
        (stocking.place_id, stocking.consumable_id): stocking.bin
        for stocking in StockingLine.objects.filter(place__in=carts).prefetch_related("bin")
    }
    counted_at = _latest_counts(plan, carts)

    rows = defaultdict(list)
    for line in lines:
        short_by = line.shortage.short_by if hasattr(line, "shortage") else 0
        where = (line.place_id, line.consumable_id)
        age = _age(counted_at.get(where), plan.made_at)
        rows[line.place].append(CartRow(line, bins.get(where), age, short_by))
    for cart_rows in rows.values():
        cart_rows.sort(key=lambda row: (*bin_order(row.bin), row.line.consumable.section, row.line.consumable.code))

    cards = by_wanted(active(plan.department, on=plan.for_date))
    short = []
    for line in lines:
        if hasattr(line, "shortage"):
            p_short = p_short_as_it_will_stand(line.shortage)
            bin_of_line = bins.get((line.place_id, line.consumable_id))
            stand_ins = tuple(cards.get(line.consumable_id, ()))
            short.append(ShortRow(line.shortage, bin_of_line, p_short, stand_ins))
    short.sort(key=_worst_first)
    return PickList(
        plan=plan,
        storerooms=storeroom_rows(plan),
        carts=tuple((cart, tuple(rows[cart])) for cart in carts if cart in rows),
        carts_without_rows=tuple(cart for cart in carts if cart not in rows),
        shortages=tuple(short),
        out_of_reach=tuple(sentences(plan.inputs.get("out_of_reach", []))),
        count_ages=_count_ages([counted_at.get(where) for where in all_lines], plan.made_at),
    )


def _worst_first(row: ShortRow) -> tuple[bool, float, int, int]:
    return not may_run_short(row.p_short), -row.shortage.harm, -row.shortage.short_by, row.shortage.pk


def in_packs(pieces: int, pack_sizes: Iterable[int]) -> str:
    """Pieces as full packs and loose pieces, largest packs first: "43 = 2 packs of 20 and 3 loose", "3 loose"."""
    in_all = pieces
    parts = []
    for pieces_per_pack in sorted({size for size in pack_sizes if size > 1}, reverse=True):
        packs, pieces = divmod(pieces, pieces_per_pack)
        if packs:
            some = ngettext("%(packs)s pack of %(pieces)s", "%(packs)s packs of %(pieces)s", packs)
            parts.append(some % {"packs": packs, "pieces": pieces_per_pack})
    if pieces or not parts:
        parts.append(ngettext("%(pieces)s loose", "%(pieces)s loose", pieces) % {"pieces": pieces})
    if parts == parts[-1:] and pieces == in_all:
        return parts[-1]
    words = parts[-1]
    if parts[:-1]:
        words = _("%(first)s and %(last)s") % {"first": ", ".join(parts[:-1]), "last": parts[-1]}
    return f"{in_all} = {words}"


def count_of(number: int, noun: str) -> str:
    """ "1 line", "3 lines"."""
    return f"{number} {noun}" if number == 1 else f"{number} {noun}s"


def pieces_of(number: int) -> str:
    return ngettext("%(n)s piece", "%(n)s pieces", number) % {"n": number}


def lines_of(number: int) -> str:
    return ngettext("%(n)s line", "%(n)s lines", number) % {"n": number}


def picks_of(number: int) -> str:
    return ngettext("%(n)s pick", "%(n)s picks", number) % {"n": number}


def storeroom_rows(plan: Plan, cart_ids: list[int] | None = None) -> tuple[tuple[Place, tuple[PickRow, ...]], ...]:
    """The picks of each storeroom in walking order, of all carts or of some: eight queries.

    Prefetched, not joined: a cart that gets forty lines is made once.
    """
    picks = Pick.objects.filter(plan_line__plan=plan)
    if cart_ids is not None:
        picks = picks.filter(plan_line__place__in=cart_ids)
    picks = list(
        picks.select_related("plan_line", "lot")
        .defer("plan_line__pmf", "plan_line__reason")
        .prefetch_related("plan_line__place__room", "plan_line__consumable", "storeroom", "bin", "confirmed_by")
    )
    pack_sizes = defaultdict(set)
    consumables = {pick.plan_line.consumable_id for pick in picks}
    for consumable, pieces in Packaging.objects.filter(consumable__in=consumables).values_list(
        "consumable", "pieces_per_pack"
    ):
        pack_sizes[consumable].add(pieces)

    by_storeroom = defaultdict(list)
    for pick in picks:
        by_storeroom[pick.storeroom].append(pick)
    ordered = sorted(by_storeroom.items(), key=lambda item: (item[0].walk_order, item[0].code))
    return tuple((storeroom, _pick_rows(of_storeroom, pack_sizes)) for storeroom, of_storeroom in ordered)


def _pick_rows(picks: list[Pick], pack_sizes: dict[int, set[int]]) -> tuple[PickRow, ...]:
    def group(pick: Pick) -> tuple[int | None, int, int | None]:
        return pick.bin_id, pick.plan_line.consumable_id, pick.lot_id

    def walk(pick: Pick):
        line, lot = pick.plan_line, pick.lot
        expires = lot.expires_on if lot and lot.expires_on else date.max
        lot_number = lot.number if lot else ""
        return (
            *bin_order(pick.bin),
            line.consumable.code,
            expires,
            lot_number,
            line.place.walk_order,
            line.place.code,
        )

    pieces = defaultdict(int)
    for pick in picks:
        pieces[group(pick)] += pick.quantity
    rows = []
    previous = None
    for pick in sorted(picks, key=walk):
        in_all = in_packs(pieces[group(pick)], pack_sizes[pick.plan_line.consumable_id])
        rows.append(PickRow(pick, group(pick) != previous, in_all))
        previous = group(pick)
    return tuple(rows)


def _latest_counts(plan: Plan, carts: list[Place]) -> dict[tuple[int, int], datetime]:
    counts = Count.objects.filter(place__in=carts, at__lte=plan.made_at).order_by()
    latest = counts.values_list("place", "consumable").annotate(at=Max("at"))
    return {(place, consumable): at for place, consumable, at in latest}


def _age(counted_at: datetime | None, now: datetime) -> str:
    return _("never") if counted_at is None else age_words(now - counted_at)


def _count_ages(counted_at: list[datetime | None], now: datetime) -> str:
    known = [at for at in counted_at if at is not None]
    if not known:
        return _("No line of these carts has ever been counted: every number on hand is a sum of records.")
    sentence = _("When the plan was made, the newest count was %(newest)s old, the oldest %(oldest)s.") % {
        "newest": _age(max(known), now),
        "oldest": _age(min(known), now),
    }
    if never := len(counted_at) - len(known):
        more = ngettext(
            "%(never)s of %(lines)s lines was never counted.", "%(never)s of %(lines)s lines were never counted.", never
        )
        sentence += " " + more % {"never": never, "lines": len(counted_at)}
    return sentence
