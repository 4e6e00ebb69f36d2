"""What breaks each rule about the life of stock: rows that stand, then the one that the database must refuse."""

from datetime import UTC, date, datetime, timedelta

from inventory import ledger
from inventory.models import (
    ArrivedPack,
    Assembly,
    BackOrder,
    BundlePiece,
    CartGuidance,
    Count,
    CountedLot,
    CountRound,
    CountTask,
    GuidedLine,
    Hold,
    Lot,
    NamedStandIn,
    Order,
    OrderLine,
    Place,
    Recall,
    RecallAnswer,
    RecallLot,
    RecallPlace,
    Receipt,
    SealEvent,
)
from tests.factories import ConsumableFactory, StoreroomFactory

NOON = datetime(2026, 3, 4, 12, tzinfo=UTC)


def order(by, number="R-1", storeroom=None, **fields):
    return Order(storeroom=storeroom or StoreroomFactory(), number=number, made_at=NOON, made_by=by, **fields)


def order_line(by, tube, **fields):
    placed = order(by)
    placed.save()
    return OrderLine(**{"order": placed, "consumable": tube, "packs": 1} | fields)


def saved(row):
    row.save()
    return row


def arrived(cart, by, **fields):
    return ArrivedPack(**{"storeroom": cart, "item": "1", "by": by, "at": NOON, "key": "k"} | fields)


def lot_of(tube):
    return Lot.objects.get_or_create(consumable=tube, number="A")[0]


def received(cart, tube, by):
    return ledger.receive(place=cart, consumable=tube, quantity=1, by=by, at=NOON, key="in")


def bundle_piece(tube, **fields):
    return BundlePiece(**{"bundle": ConsumableFactory(code="KIT"), "piece": tube} | fields)


def seal(cart, by, **fields):
    return SealEvent(place=cart, by=by, at=NOON, key="k", **fields)


def task(d, cart, tube, by, **fields):
    counted = CountRound.objects.create(department=d, kind="daily", for_date=date(2026, 3, 4), made_at=NOON, made_by=by)
    return CountTask(**{"round": counted, "place": cart, "consumable": tube, "position": 1, "why": "age"} | fields)


def recall(d, tube, by, **fields):
    told = {"department": d, "consumable": tube, "notice": "N", "opened_at": NOON, "opened_by": by}
    return Recall(**told | fields)


def asked(d, cart, tube, by):
    return RecallPlace.objects.create(recall=saved(recall(d, tube, by)), place=cart, why="recorded")


STOCK_BREACHES = {
    "price_not_negative": lambda d, cart, tube, by: [ConsumableFactory.build(department=d, price_per_piece=-1)],
    "only_carts_are_sealed": lambda d, cart, tube, by: [
        Place(department=d, code="S", name="Store", role="storeroom", sealed=True)
    ],
    "arrived_pack_holds_a_piece": lambda d, cart, tube, by: [arrived(cart, by, packs=0)],
    "arrived_pack_is_of_something": lambda d, cart, tube, by: [arrived(cart, by, item="")],
    "arrived_pack_on_record_names_its_movement": lambda d, cart, tube, by: [
        arrived(cart, by, consumable=tube, state="recorded")
    ],
    "order_number_unique": lambda d, cart, tube, by: [
        first := saved(order(by)),
        order(by, storeroom=first.storeroom),
    ],
    "placed_order_names_who_and_when": lambda d, cart, tube, by: [order(by, placed_at=NOON)],
    "order_line_unique": lambda d, cart, tube, by: [
        first := saved(order_line(by, tube)),
        OrderLine(order=first.order, consumable=tube, packs=2),
    ],
    "order_line_orders_a_piece": lambda d, cart, tube, by: [order_line(by, tube, packs=0)],
    "closed_order_line_names_who_and_when": lambda d, cart, tube, by: [order_line(by, tube, closed_at=NOON)],
    "receipt_of_a_line_names_its_order": lambda d, cart, tube, by: [
        Receipt(movement=received(cart, tube, by), order_line=saved(order_line(by, tube)))
    ],
    "back_order_of_a_piece": lambda d, cart, tube, by: [
        BackOrder(order_line=saved(order_line(by, tube)), pieces=0, by=by, at=NOON, key="k")
    ],
    "bundle_piece_unique": lambda d, cart, tube, by: [
        first := saved(bundle_piece(tube)),
        BundlePiece(bundle=first.bundle, piece=tube),
    ],
    "bundle_holds_a_piece": lambda d, cart, tube, by: [bundle_piece(tube, pieces_per_bundle=0)],
    "bundle_does_not_hold_itself": lambda d, cart, tube, by: [bundle_piece(tube, bundle=tube)],
    "assembly_of_a_bundle": lambda d, cart, tube, by: [
        Assembly(kind="made_up", place=cart, bundle=tube, lot=lot_of(tube), bundles=0, by=by, at=NOON, key="k")
    ],
    "closing_names_the_new_seal": lambda d, cart, tube, by: [seal(cart, by, kind="closed")],
    "only_closing_puts_a_seal_on": lambda d, cart, tube, by: [seal(cart, by, kind="opened", seal_on="4471")],
    "cart_guidance_unique": lambda d, cart, tube, by: [
        CartGuidance.objects.create(place=cart, guidance="mh"),
        CartGuidance(place=cart, guidance="mh"),
    ],
    "guided_line_unique": lambda d, cart, tube, by: [
        chosen := CartGuidance.objects.create(place=cart, guidance="mh"),
        GuidedLine.objects.create(cart_guidance=chosen, item="dantrolene", consumable=tube),
        GuidedLine(cart_guidance=chosen, item="dantrolene", consumable=tube),
    ],
    "whole_place_count_names_the_place": lambda d, cart, tube, by: [
        CountRound(department=d, kind="whole_place", for_date=date(2026, 3, 4), made_at=NOON, made_by=by)
    ],
    "count_task_unique": lambda d, cart, tube, by: [
        first := saved(task(d, cart, tube, by)),
        CountTask(round=first.round, place=cart, consumable=tube, position=2, why="age"),
    ],
    "first_count_is_whole": lambda d, cart, tube, by: [task(d, cart, tube, by, first_counted=3)],
    "second_count_follows_a_first": lambda d, cart, tube, by: [task(d, cart, tube, by, second_counted=3)],
    "settled_count_was_counted": lambda d, cart, tube, by: [
        counted := Count.objects.create(
            place=cart, consumable=tube, expected=1, counted=1, by=by, at=NOON, key="counted"
        ),
        task(d, cart, tube, by, count=counted),
    ],
    "counted_lot_unique": lambda d, cart, tube, by: [
        first := saved(task(d, cart, tube, by)),
        CountedLot.objects.create(task=first, look=1, lot=lot_of(tube), counted=1, expected=1),
        CountedLot(task=first, look=1, lot=lot_of(tube), counted=2, expected=1),
    ],
    "counted_without_lot_unique": lambda d, cart, tube, by: [
        first := saved(task(d, cart, tube, by)),
        CountedLot.objects.create(task=first, look=1, counted=1, expected=1),
        CountedLot(task=first, look=1, counted=2, expected=1),
    ],
    "closed_recall_is_signed": lambda d, cart, tube, by: [recall(d, tube, by, closed_at=NOON)],
    "recall_closes_after_it_opened": lambda d, cart, tube, by: [
        recall(d, tube, by, closed_at=NOON - timedelta(days=1), closed_by=by)
    ],
    "withdrawn_recall_is_closed": lambda d, cart, tube, by: [recall(d, tube, by, withdrawn=True)],
    "recall_lot_unique": lambda d, cart, tube, by: [
        opened := saved(recall(d, tube, by)),
        RecallLot.objects.create(recall=opened, lot=lot_of(tube)),
        RecallLot(recall=opened, lot=lot_of(tube)),
    ],
    "recall_place_unique": lambda d, cart, tube, by: [
        first := asked(d, cart, tube, by),
        RecallPlace(recall=first.recall, place=cart, why="recorded"),
    ],
    "recall_answer_adds_up": lambda d, cart, tube, by: [
        RecallAnswer(recall_place=asked(d, cart, tube, by), found=3, returned=1, by=by, at=NOON, key="k")
    ],
    "named_stand_in_unique": lambda d, cart, tube, by: [
        first := NamedStandIn.objects.create(wanted=tube, stand_in=ConsumableFactory()),
        NamedStandIn(wanted=tube, stand_in=first.stand_in),
    ],
    "line_is_not_named_for_itself": lambda d, cart, tube, by: [NamedStandIn(wanted=tube, stand_in=tube)],
    "hold_has_a_reason": lambda d, cart, tube, by: [Hold(lot=lot_of(tube), reason="", by=by, at=NOON, key="k")],
}
