from datetime import timedelta

import pytest
from django.core.exceptions import ValidationError

from inventory import holds, ledger, recalls
from inventory.bundles import make_up
from inventory.lot_ranges import NotComparable
from inventory.models import BundlePiece, Holding, Lot, Place, Recall, RecallAnswer
from tests.conftest import NOON
from tests.factories import CartFactory, ConsumableFactory, LotFactory, StockingLineFactory

LATER = NOON + timedelta(hours=1)


@pytest.fixture
def lot(tube):
    return LotFactory(consumable=tube, number="24A0100")


@pytest.fixture
def put(technician):
    """`put(place, 5, tube, lot)`: pieces received there."""

    def put(place, pieces, line, lot=None):
        key = f"put-{place.pk}-{line.pk}-{lot and lot.pk}"
        ledger.receive(place=place, consumable=line, quantity=pieces, lot=lot, by=technician, at=NOON, key=key)

    return put


@pytest.fixture
def opened(tube, supervisor):
    def opened(**told):
        named = {"notice": "FSN 24-7", "lot_numbers": ["24A0100"], **told}
        return recalls.open_recall(consumable=tube, by=supervisor, at=NOON, **named)

    return opened


@pytest.fixture
def answered(technician):
    def answered(recall_place, found, at=LATER, **told):
        told.setdefault("key", f"answer-{RecallAnswer.objects.count()}")
        return recalls.answer(recall_place=recall_place, found=found, by=technician, at=at, **told)

    return answered


def at(recall, place):
    return recall.places.get(place=place)


def balance(place, lot, line):
    return Holding.objects.filter(place=place, lot=lot, consumable=line).values_list("quantity", flat=True).first() or 0


class TestOpening:
    def test_every_place_that_holds_or_may_hold_the_lot_is_asked_with_the_strongest_reason(
        self, put, lot, tube, cart, storeroom, opened, technician
    ):
        no_lot, once, keeps, none = (CartFactory(name=name, room=None) for name in ("No lot", "Once", "Keeps", "None"))
        sealed = CartFactory(name="Sealed", room=None, sealed=True)
        put(storeroom, 9, tube, lot)
        put(no_lot, 3, tube)
        put(once, 2, tube, lot)
        ledger.discard(place=once, consumable=tube, quantity=2, lot=lot, reason="gone", by=technician, at=NOON, key="d")
        for place in (keeps, sealed, storeroom):
            StockingLineFactory(place=place, consumable=tube, tracking="earliest_date")

        recall = opened()

        asked = {one.place: (one.why, one.recorded_pieces) for one in recall.places.select_related("place")}
        assert asked == {
            storeroom: ("recorded", 9),
            no_lot: ("no_lot", 0),
            once: ("went_there", 0),
            keeps: ("keeps_line", 0),
            sealed: ("keeps_line", 0),
        }
        assert none not in asked

    def test_place_with_a_bundle_that_holds_the_lot_is_asked(self, put, lot, tube, cart, storeroom, opened, technician):
        bundle = ConsumableFactory(name="Airway bundle")
        BundlePiece.objects.create(bundle=bundle, piece=tube)
        put(storeroom, 2, tube, lot)
        made = make_up(place=storeroom, bundle=bundle, bundles=1, by=technician, at=NOON, key="made")
        ledger.move(
            source=storeroom, destination=cart, consumable=bundle, quantity=1, lot=made.lot, by=technician, at=NOON,
            key="carried",
        )  # fmt: skip

        assert at(opened(), cart).why == "bundled"

    def test_lots_are_out_of_reach_at_once_and_others_stay_in_use(self, lot, tube, opened):
        other = LotFactory(consumable=tube, number="24A0200")

        opened()

        assert set(Lot.objects.usable(on=NOON.date())) == {other}

    def test_range_means_the_lots_between_and_those_ticked_besides(self, tube, opened):
        for number in ("24A0100", "24A0110", "24A0111", "L-7", "L-8"):
            LotFactory(consumable=tube, number=number)

        recall = opened(lot_numbers=["L-7"], lot_from="24A0090", lot_to="24A0110")

        assert {named.lot.number for named in recall.lots.all()} == {"24A0100", "24A0110", "L-7"}

    def test_range_shows_what_it_cannot_judge_before_what_it_leaves_out(self, tube):
        for number in ("24A0200", "L-7", "24A0100"):
            LotFactory(consumable=tube, number=number)

        found = recalls.candidates(tube, lot_from="24A0090", lot_to="24A0110")

        assert [(one.lot.number, one.within) for one in found] == [("24A0100", True), ("L-7", None), ("24A0200", False)]

    @pytest.mark.parametrize("ends", [("24A0090", "L7"), ("24A0110", "24A0090"), ("24A0090", "")])
    def test_range_that_says_nothing_opens_no_recall(self, tube, opened, ends):
        with pytest.raises(NotComparable):
            opened(lot_from=ends[0], lot_to=ends[1])
        assert not Recall.objects.exists()

    def test_recall_of_no_lot_is_refused(self, tube, opened):
        with pytest.raises(ledger.Refused, match="Name the lots"):
            opened(lot_numbers=[" "])

    def test_lot_that_comes_in_later_is_held_at_the_door(self, tube, storeroom, opened):
        recall = opened(lot_numbers=["X-1"], lot_from="24A0090", lot_to="24A0110")
        came, unknown, spared = (Lot.objects.create(consumable=tube, number=n) for n in ("24A0105", "L-9", "24A0111"))

        assert recalls.hold_if_recalled(came, place=storeroom, at=LATER) == recall
        assert recalls.hold_if_recalled(unknown, place=storeroom, at=LATER) is None
        assert recalls.hold_if_recalled(spared, place=storeroom, at=LATER) is None

        assert came.quarantined_at == LATER
        assert Lot.objects.get(number="X-1").quarantined_at == NOON
        assert at(recall, storeroom)

    def test_recall_of_the_whole_line_holds_pieces_without_a_lot_too(self, put, tube, cart, storeroom, lot, opened):
        put(cart, 4, tube)
        put(storeroom, 3, tube, lot)

        recall = opened(lot_numbers=[], all_lots=True)

        assert not Holding.objects.usable(on=NOON.date()).filter(consumable=tube, place__role="cart", quantity__gt=0)
        assert (cart.on_hand(tube), at(recall, cart).recorded_pieces) == (4, 4)
        assert recalls.recall_of(tube, "whatever") == recall
        assert not ledger.differences()

    def test_of_a_whole_line_holds_what_a_count_finds_later_until_it_is_withdrawn(
        self, tube, cart, storeroom, technician, supervisor, put, opened
    ):
        recall = opened(lot_numbers=[], all_lots=True)
        ledger.count(place=cart, consumable=tube, counted=6, by=technician, at=LATER, key="found in the drawer")
        put(storeroom, 3, tube)
        here = Holding.objects.filter(consumable=tube, place__in=[cart, storeroom])

        assert not here.usable(on=NOON.date())
        assert {held.is_usable for held in here.marked_usable(on=NOON.date())} == {False}

        recalls.withdraw(recall=recall, by=supervisor, at=LATER, note="notice taken back")
        assert here.usable(on=NOON.date()).count() == 2


class TestAnswer:
    @pytest.fixture
    def recall(self, put, tube, lot, cart, storeroom, opened):
        put(cart, 3, tube, lot)
        put(cart, 4, tube)
        put(storeroom, 10, tube, lot)
        return opened()

    def test_nil_return_of_a_place_that_had_some_on_record_makes_the_record_right(
        self, recall, cart, tube, lot, answered
    ):
        answered(at(recall, cart), 0)

        assert (balance(cart, lot, tube), balance(cart, None, tube)) == (0, 4)

    def test_pieces_go_back_are_destroyed_or_stay_put_aside(self, recall, storeroom, tube, lot, answered):
        told = answered(at(recall, storeroom), 10, returned=6, destroyed=3)

        assert told.quarantined == balance(storeroom, lot, tube) == 1
        assert ledger.virtual_place(storeroom.department, Place.Role.DISCARDED).on_hand(tube) == 3
        assert {m.reason for m in lot.movements.filter(kind__in=["return", "discard"])} == {"recall FSN 24-7"}

    def test_pieces_found_beyond_the_record_were_those_without_a_lot(self, recall, cart, tube, lot, answered):
        answered(at(recall, cart), 5)

        assert (balance(cart, lot, tube), balance(cart, None, tube)) == (5, 2)

    def test_more_found_than_anything_on_record_is_believed(self, recall, cart, tube, lot, answered):
        answered(at(recall, cart), 9, returned=9)

        assert (balance(cart, lot, tube), balance(cart, None, tube)) == (0, 0)
        assert not ledger.differences()

    def test_correction_leaves_the_stock_as_if_it_alone_had_been_told(self, recall, cart, tube, lot, answered):
        answered(at(recall, cart), 5, returned=5)

        answered(at(recall, cart), 2, destroyed=1, at=LATER + timedelta(hours=1))

        assert (balance(cart, lot, tube), balance(cart, None, tube)) == (1, 4)
        assert recalls.report(recall).found == 2
        assert not ledger.differences()

    def test_same_answer_sent_twice_is_one(self, recall, storeroom, tube, lot, answered):
        first = answered(at(recall, storeroom), 10, returned=10, key="twice")

        assert answered(at(recall, storeroom), 10, returned=10, key="twice") == first
        assert balance(storeroom, lot, tube) == 0
        with pytest.raises(ledger.KeyReused):
            answered(at(recall, storeroom), 9, key="twice")

    def test_more_gone_than_found_is_refused(self, recall, cart, answered):
        with pytest.raises(ledger.Refused, match="cannot be more"):
            answered(at(recall, cart), 2, returned=2, destroyed=1)

    def test_note_that_may_name_a_person_is_refused_and_moves_nothing(self, recall, cart, tube, lot, answered):
        with pytest.raises(ValidationError):
            answered(at(recall, cart), 0, note="record 1234567")
        assert balance(cart, lot, tube) == 3

    def test_pieces_of_the_lot_that_goes_first_are_given_back_first(self, put, tube, cart, opened, answered):
        soon = LotFactory(consumable=tube, number="B-1", expires_on=NOON.date() + timedelta(days=9))
        late = LotFactory(consumable=tube, number="B-2", expires_on=NOON.date() + timedelta(days=99))
        for lot in (late, soon):
            put(cart, 2, tube, lot)

        answered(at(opened(lot_numbers=["B-1", "B-2"]), cart), 4, returned=3)

        assert (balance(cart, soon, tube), balance(cart, late, tube)) == (0, 1)


class TestClosing:
    @pytest.fixture
    def recall(self, put, tube, lot, cart, storeroom, opened):
        put(cart, 3, tube, lot)
        StockingLineFactory(place=storeroom, consumable=tube)
        return opened()

    def test_signature_waits_for_every_place(self, recall, cart, storeroom, answered, supervisor):
        answered(at(recall, cart), 3)
        with pytest.raises(ledger.Refused, match="1 place has not answered yet: Main storeroom"):
            recalls.close(recall=recall, by=supervisor, at=LATER)

        answered(at(recall, storeroom), 0)

        assert recalls.close(recall=recall, by=supervisor, at=LATER).closed_by == supervisor

    def test_closed_recall_still_holds_its_lots_and_takes_a_late_answer(
        self, recall, cart, storeroom, tube, lot, answered, supervisor
    ):
        answered(at(recall, cart), 2)
        answered(at(recall, storeroom), 0)
        recall = recalls.close(recall=recall, by=supervisor, at=LATER)

        answered(at(recall, cart), 3, at=LATER + timedelta(days=1))

        lot.refresh_from_db()
        assert lot.quarantined_at
        assert [one.late for one in recalls.report(recall).places] == [True, False]
        assert balance(cart, lot, tube) == 3

    def test_withdrawn_recall_lets_its_lots_go_but_for_what_else_holds_them(
        self, recall, lot, tube, supervisor, opened, technician
    ):
        second = opened(notice="another")
        holds.put_aside(lot=lot, reason="wet box", by=technician, at=LATER, key="wet")

        for recall_ in (recall, second):
            recalls.withdraw(recall=recall_, by=supervisor, at=LATER, note="letter of the maker")
            lot.refresh_from_db()
            assert lot.quarantined_at
        holds.let_back(lot=lot, reason="only the wrapping", by=technician, at=LATER, key="dry")

        lot.refresh_from_db()
        assert lot.quarantined_at is None
        assert recalls.recall_of(tube, lot.number) is None

    def test_lot_let_back_by_hand_stays_held_by_its_recall(self, recall, lot, technician):
        holds.put_aside(lot=lot, reason="wet box", by=technician, at=LATER, key="wet")
        holds.let_back(lot=lot, reason="dry", by=technician, at=LATER, key="dry")

        lot.refresh_from_db()
        assert lot.quarantined_at == NOON


class TestDrill:
    def test_drill_asks_the_same_places_and_touches_no_stock(self, put, tube, lot, cart, opened, answered, technician):
        put(cart, 3, tube, lot)
        movements = lot.movements.count()

        recall = opened(drill=True)
        answered(at(recall, cart), 1, returned=1)

        lot.refresh_from_db()
        assert lot.quarantined_at is None
        assert lot.movements.count() == movements
        assert recalls.recall_of(tube, lot.number) is None

    def test_drill_for_a_lot_that_nobody_has_is_refused(self, tube, opened):
        with pytest.raises(ledger.Refused, match="No lot NEW"):
            opened(lot_numbers=["NEW"], drill=True)
        assert not Lot.objects.filter(number="NEW").exists()

    def test_time_to_answer_runs_from_the_first_answer_to_the_last(self, put, tube, lot, cart, opened, answered):
        other = CartFactory(room=None)
        for place in (cart, other):
            put(place, 1, tube, lot)
        recall = opened(drill=True)
        answered(at(recall, cart), 1, at=NOON + timedelta(minutes=2))
        answered(at(recall, other), 1, at=NOON + timedelta(minutes=6))
        answered(at(recall, cart), 0, at=NOON + timedelta(minutes=50))

        told = recalls.report(recall)

        assert (told.answering_took, told.took) == (timedelta(minutes=4), timedelta(minutes=6))
        assert (told.answered, told.nil, told.recorded, told.found) == (2, 1, 2, 1)
