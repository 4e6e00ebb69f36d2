"""A whole quarter of a small department, told to the tool as its people would, beside shelves that are really there.

The simulation keeps the true pieces of every shelf, lot by lot, and never looks into the tool. Some uses are not
logged and some pieces are lost without a word, so that the counts have something to find. All of it is invented.

Outside check: conservation. What came in is on a shelf, was used, thrown away, sent back, or is missing by a count.
"""

import random
from collections import Counter, defaultdict
from datetime import UTC, date, datetime, timedelta

import pytest
from django.db.models import Sum

from inventory import arrivals, ledger, orders, recalls, receiving
from inventory.arrivals import ShortDated
from inventory.barcodes import check_digit
from inventory.bundles import make_up
from inventory.count_rounds import Recount, ToCount, finish_round, open_round, record_count
from inventory.fefo import LotOnHand, choose_lots
from inventory.models import BundlePiece, Holding, Lot, Movement, RecallPlace
from inventory.orders import Wanted
from inventory.scanned import find
from inventory.scanning import read_scan
from restock.cases.case_log import Opened, log_case
from restock.stock_life.tracing import rests, trace
from tests.factories import (
    CartFactory,
    CaseFactory,
    CaseTypeFactory,
    ConsumableFactory,
    PackagingFactory,
    RoomFactory,
    StockingLineFactory,
)

FIRST_DAY = date(2026, 1, 5)  # a Monday
WEEKS = 13
PIECES_PER_PACK = 20
PAR = 6
PER_CASE = {"tube": (1, 1), "cannula": (1, 3), "dressing": (1, 2), "syringe": (2, 6), "start": (0, 1)}
RECALL_DAY = FIRST_DAY + timedelta(weeks=7, days=2)
BACK_ORDER_WEEKS = {4: "syringe", 8: "dressing"}


class Quarter:
    """The department, what lies on its shelves in truth, and what its people say about it."""

    def __init__(self, department, storeroom, people):
        self.rng = random.Random(20260105)
        self.clinician, self.technician, self.supervisor = people
        self.department, self.storeroom = department, storeroom
        self.lines = {name: ConsumableFactory(code=name.upper(), name=name) for name in PER_CASE}
        self.barcodes = {}
        for number, name in enumerate(self.bought, start=1):
            body = f"{number:013d}"
            self.barcodes[name] = body + check_digit(body)
            PackagingFactory(consumable=self.lines[name], barcode=self.barcodes[name], pieces_per_pack=PIECES_PER_PACK)
        BundlePiece.objects.create(bundle=self.lines["start"], piece=self.lines["cannula"])
        BundlePiece.objects.create(bundle=self.lines["start"], piece=self.lines["dressing"], pieces_per_bundle=2)
        self.carts = []
        for number in range(3):
            cart = CartFactory(room=RoomFactory(), restocked_from=storeroom, walk_order=number)
            self.carts.append(cart)
        for place in (*self.carts, storeroom):
            for line in self.lines.values():
                StockingLineFactory(place=place, consumable=line, par=PAR)
        self.case_type = CaseTypeFactory()
        self.shelves = defaultdict(Counter)  # (place key, name) -> pieces by lot number
        self.inside = {}  # lot number of a bundle -> the lot numbers in it, one Counter a bundle
        self.bought_pieces = Counter()
        self.recalled = set()
        self.late = []  # (order, name, day on which it comes)
        self.number = 0

    bought = ("tube", "cannula", "dressing", "syringe")

    def key(self):
        self.number += 1
        return f"quarter-{self.number}"

    def at(self, day, hour):
        return datetime(day.year, day.month, day.day, hour, tzinfo=UTC)

    def expiry(self, number):
        return Lot.objects.get(number=number).expires_on

    def take(self, place, name, pieces):
        """Take pieces off a true shelf, first expiring first; returns them by lot."""
        shelf, taken = self.shelves[place.pk, name], Counter()
        for number in sorted((n for n in shelf if n not in self.recalled and shelf[n]), key=lambda n: (n[-4:], n)):
            part = min(shelf[number], pieces - taken.total())
            taken[number] += part
            shelf[number] -= part
        return +taken

    # --- what people do -----------------------------------------------------------------------------------------

    def order_and_receive(self, week, day):
        back_ordered = BACK_ORDER_WEEKS.get(week)
        order = orders.start_order(
            storeroom=self.storeroom, number=f"W{week}", by=self.supervisor, at=self.at(day, 8),
            lines=[Wanted(self.lines[name], 3 if name == "syringe" else 2, PIECES_PER_PACK) for name in self.bought],
        )  # fmt: skip
        expected = {line.pk: day + timedelta(days=1) for line in self.lines.values()}
        orders.place_order(order=order, by=self.supervisor, at=self.at(day, 9), expected=expected)
        for line in order.lines.select_related("consumable"):
            name = line.consumable.name
            if name == back_ordered:
                orders.tell_back_order(
                    line=line, by=self.supervisor, at=self.at(day, 10), key=self.key(),
                    expected_on=day + timedelta(days=14),
                )  # fmt: skip
                self.late.append((order, name, line.packs, day + timedelta(days=14)))
            else:
                self.scan(order, name, line.packs, day)
        self.put_on_record(order, day)

    def scan(self, order, name, packs, day):
        """Packs of one lot come in. The lot ends in its year and month of expiry, as the shelves are kept by."""
        expires_on = day + timedelta(days=self.rng.choice((200, 400, 800)))
        number = f"{name[:2].upper()}{day:%m%d}-{expires_on:%y%m}"
        for _ in range(packs):
            read = read_scan(f"(01){self.barcodes[name]}(17){expires_on:%y%m%d}(10){number}", today=day)
            arrivals.keep_scan(
                read, find(self.department, read), storeroom=self.storeroom, order=order, by=self.technician,
                at=self.at(day, 11), key=self.key(),
            )  # fmt: skip
        pieces = packs * PIECES_PER_PACK
        self.shelves[self.storeroom.pk, name][number] += pieces
        self.bought_pieces[name] += pieces

    def put_on_record(self, order, day):
        done = receiving.receive_all(
            storeroom=self.storeroom, order=order, by=self.technician, at=self.at(day, 12), today=day,
            short_dated=ShortDated(days=30),
        )  # fmt: skip
        assert done.left == ()

    def make_bundles(self, day):
        room = min(
            self.shelves[self.storeroom.pk, "cannula"].total(), self.shelves[self.storeroom.pk, "dressing"].total()
        )
        if room < 12:
            return
        cannulas, dressings = self.take(self.storeroom, "cannula", 4), self.take(self.storeroom, "dressing", 8)
        if cannulas.total() < 4 or dressings.total() < 8:
            self.shelves[self.storeroom.pk, "cannula"] += cannulas
            self.shelves[self.storeroom.pk, "dressing"] += dressings
            return
        made = make_up(
            place=self.storeroom, bundle=self.lines["start"], bundles=4, by=self.technician, at=self.at(day, 13),
            key=self.key(),
        )  # fmt: skip
        self.inside[made.lot.number] = cannulas + dressings
        self.shelves[self.storeroom.pk, "start"][made.lot.number] += 4

    def run_cases(self, day):
        for cart in self.carts:
            case = CaseFactory(room=cart.room, date=day, case_type=self.case_type)
            used, logged = {}, []
            for name, (least, most) in PER_CASE.items():
                used[name] = self.take(cart, name, self.rng.randint(least, most)).total()
                if used[name] and self.rng.random() < 0.9:
                    logged.append(
                        Opened(self.lines[name], used[name] - 1, 1)
                        if used[name] > 2
                        else Opened(self.lines[name], used[name])
                    )
            log_case(case=case, lines=logged, by=self.clinician, at=self.at(day, 15), key=self.key())
            if self.rng.random() < 0.1:
                self.take(cart, "syringe", 1)  # lost without a word
            if self.rng.random() < 0.05 and self.shelves[cart.pk, "tube"].total():
                (number,) = self.take(cart, "tube", 1)
                ledger.discard(
                    place=cart, consumable=self.lines["tube"], lot=Lot.objects.get(number=number), quantity=1,
                    by=self.technician, at=self.at(day, 16), key=self.key(), reason="damaged",
                )  # fmt: skip

    def restock(self, day):
        """Fill each cart to par with the lots that the tool suggests, as far as they really lie there."""
        entries = []
        for cart in self.carts:
            for name, line in self.lines.items():
                lack = PAR - self.shelves[cart.pk, name].total()
                if lack <= 0:
                    continue
                held = Holding.objects.filter(place=self.storeroom, consumable=line, quantity__gt=0).select_related(
                    "lot"
                )
                already = Counter()
                for entry in entries:
                    already[entry.lot.pk if entry.lot else None] += entry.quantity
                suggestion = choose_lots(
                    [
                        LotOnHand(h.lot, h.lot.expires_on, h.quantity - already[h.lot_id], h.lot.quarantined_at is None)
                        for h in held if h.lot
                    ],
                    needed_pieces=lack, on=day,
                )  # fmt: skip
                for lot, pieces in suggestion.taken:
                    assert lot.number not in self.recalled
                    there = min(pieces, self.shelves[self.storeroom.pk, name][lot.number])
                    if not there:
                        continue
                    self.shelves[self.storeroom.pk, name][lot.number] -= there
                    self.shelves[cart.pk, name][lot.number] += there
                    entries.append(
                        ledger.Entry(
                            kind=Movement.Kind.MOVE, source=self.storeroom, destination=cart, consumable=line, lot=lot,
                            quantity=there, at=self.at(day, 19), key=self.key(),
                        )
                    )  # fmt: skip
        ledger.record(entries, by=self.technician)

    def count(self, day, places):
        """Count every line of these places blind; the true figure is what is seen."""
        lines = [ToCount(place.pk, line.pk, "age") for place in places for line in self.lines.values()]
        names = {line.pk: name for name, line in self.lines.items()}
        opened = open_round(
            department=self.department, lines=lines, for_date=day, by=self.technician, at=self.at(day, 20)
        )
        for task in opened.tasks.all():
            true = self.shelves[task.place_id, names[task.consumable_id]].total()
            for seen in ("open", "again"):
                done = record_count(
                    task_id=task.pk, counted=true, seen=seen, recount=Recount(2, 0.2), by=self.technician,
                    at=self.at(day, 20),
                )  # fmt: skip
                if done.count_id:
                    break
        finish_round(round=opened, at=self.at(day, 21))

    def recall(self, day):
        """The lot of cannulas of which most lie about is recalled: every place answers with what really is there."""
        everywhere = Counter()
        for (_, name), shelf in self.shelves.items():
            if name == "cannula":
                everywhere += shelf
        [(number, _)] = everywhere.most_common(1)
        self.recalled = {number}
        opened = recalls.open_recall(
            consumable=self.lines["cannula"], notice="FSN 7", lot_numbers=[number], by=self.supervisor,
            at=self.at(day, 7),
        )  # fmt: skip
        for asked in RecallPlace.objects.filter(recall=opened).select_related("place"):
            found = self.shelves[asked.place_id, "cannula"].pop(number, 0)
            recalls.answer(
                recall_place=asked, found=found, returned=found // 2, destroyed=found - found // 2,
                by=self.technician, at=self.at(day, 8), key=self.key(),
            )  # fmt: skip
        return recalls.close(recall=opened, by=self.supervisor, at=self.at(day, 9)), number

    def live(self):
        for week in range(WEEKS):
            monday = FIRST_DAY + timedelta(weeks=week)
            self.order_and_receive(week, monday)
            for name in ("wednesday", "thursday"):
                day = monday + timedelta(days=2 if name == "wednesday" else 3)
                for order, line, packs, comes_on in [late for late in self.late if late[3] <= day]:
                    self.scan(order, line, packs, day)
                    self.put_on_record(order, day)
                    self.late.remove((order, line, packs, comes_on))
                if day == RECALL_DAY:
                    self.closed_recall, self.recalled_number = self.recall(day)
                self.make_bundles(day)
                self.run_cases(day)
                self.restock(day)
            self.count(monday + timedelta(days=4), self.carts if week % 4 else [*self.carts, self.storeroom])
        self.last_day = monday + timedelta(days=5)
        self.count(self.last_day, [*self.carts, self.storeroom])
        return self


@pytest.fixture
def quarter(department, storeroom, clinician, technician, supervisor):
    return Quarter(department, storeroom, (clinician, technician, supervisor)).live()


def _ended(line, role):
    came = Movement.objects.filter(consumable=line, destination__role=role).aggregate(n=Sum("quantity", default=0))["n"]
    went = Movement.objects.filter(consumable=line, source__role=role).aggregate(n=Sum("quantity", default=0))["n"]
    return came - went


def test_every_piece_of_a_quarter_is_accounted_for_and_every_lot_is_traced(quarter, django_assert_num_queries):
    assert ledger.differences(quarter.department) == []
    for name, line in quarter.lines.items():
        everywhere = line.holdings.aggregate(n=Sum("quantity", default=0))["n"]
        on_shelves = line.holdings.filter(place__role__in=["cart", "storeroom"]).aggregate(n=Sum("quantity"))["n"]
        gone = sum(_ended(line, role) for role in ("used", "discarded", "count_variance", "assembly"))
        returned = line.movements.filter(kind="return").aggregate(n=Sum("quantity", default=0))["n"]
        assert everywhere == 0, name
        assert quarter.bought_pieces[name] == on_shelves + gone + returned, name
        # The last count saw every shelf: the record is what lies there.
        for place in (*quarter.carts, quarter.storeroom):
            assert place.on_hand(line) == quarter.shelves[place.pk, name].total(), (place, name)
    assert _ended(quarter.lines["syringe"], "count_variance") > 0  # what was lost without a word was found missing

    for lot in Lot.objects.filter(movements__kind="receive").distinct():
        with django_assert_num_queries(1):
            steps = trace(lot)
        own = [step for step in steps if step.lot_id == lot.pk]
        received = sum(step.pieces for step in own if step.kind == "receive")
        ends = Counter()
        for step in own:
            if step.destination_role not in ("cart", "storeroom"):
                ends[step.destination_role] += step.pieces
            if step.source_role in ("count_variance", "assembly"):
                ends[step.source_role] -= step.pieces
        left = sum(rest.pieces for rest in rests(own))
        assert received == left + ends.total(), lot.number
        assert all(step.case_id and step.case_day for step in steps if step.kind == "use")


def test_recalled_lot_of_the_quarter_is_answered_for_and_never_handed_out_again(quarter):
    recall, lot = quarter.closed_recall, Lot.objects.get(number=quarter.recalled_number)

    assert recall.closed_at is not None
    assert {place.place_id for place in recall.places.all()} >= {place.pk for place in quarter.carts}
    # Neither carried nor used after the notice; what the answers did is all that followed.
    after = lot.movements.filter(at__gt=recall.opened_at).exclude(kind__in=["return", "discard", "adjust"])
    assert not after.exists()
    assert not lot.holdings.filter(place__role__in=["cart", "storeroom"], quantity__gt=0).exists()


def test_both_back_orders_of_the_quarter_came_and_their_orders_are_complete(quarter):
    assert orders.coming(quarter.department, today=quarter.last_day) == []
    for week in BACK_ORDER_WEEKS:
        order = quarter.storeroom.orders.get(number=f"W{week}")
        lines = orders.orders_with_lines([order])[order.pk]
        assert orders.state_of(order, lines, today=quarter.last_day) == orders.State.COMPLETE
        assert all(one.received == one.line.pieces for one in lines)
