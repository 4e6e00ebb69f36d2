"""Bundles: what goes in comes from somewhere, and is found again."""

from datetime import UTC, date, datetime

import pytest
from django.db import transaction
from django.db.models import Sum
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from inventory import bundles, ledger
from inventory.models import Assembly, BundlePiece, Holding, Lot, Movement, Place
from tests.factories import CartFactory, ConsumableFactory, LotFactory, StoreroomFactory, UserFactory

NOON = datetime(2026, 3, 4, 12, tzinfo=UTC)


@pytest.fixture
def cannula(department):
    return ConsumableFactory(code="VP01", name="IV catheter", size="20 G")


@pytest.fixture
def tape(department):
    return ConsumableFactory(code="SK06", name="Adhesive dressing strip")


@pytest.fixture
def start_bundle(cannula, tape):
    """An IV start bundle of one cannula and two strips."""
    bundle = ConsumableFactory(code="BU01", name="IV start bundle")
    BundlePiece.objects.create(bundle=bundle, piece=cannula, pieces_per_bundle=1)
    BundlePiece.objects.create(bundle=bundle, piece=tape, pieces_per_bundle=2)
    return bundle


@pytest.fixture
def hold(technician):
    """`hold(place, line, pieces, lot)`: pieces come from the supplier."""

    def receive(place, line, pieces, lot=None):
        key = f"{place.pk}-{line.pk}-{lot and lot.pk}"
        ledger.receive(place=place, consumable=line, quantity=pieces, lot=lot, by=technician, at=NOON, key=key)

    return receive


@pytest.fixture
def make(start_bundle, storeroom, technician):
    def make_up(number, *, place=storeroom, key="made"):
        return bundles.make_up(place=place, bundle=start_bundle, bundles=number, by=technician, at=NOON, key=key)

    return make_up


def lots_of(line, *days):
    return [LotFactory(consumable=line, number=f"{line.code}-{day}", expires_on=date(2026, 4, day)) for day in days]


def test_pieces_leave_and_bundles_come_with_the_date_of_the_first_piece(
    storeroom, cannula, tape, start_bundle, hold, make
):
    late, soon = lots_of(cannula, 20, 10)
    hold(storeroom, cannula, 5, late)
    hold(storeroom, cannula, 2, soon)
    hold(storeroom, tape, 10)

    made = make(3)

    assert (made.lot.number, made.lot.expires_on) == ("M20260304-1", date(2026, 4, 10))
    assert storeroom.on_hand(start_bundle) == 3
    assert (storeroom.on_hand(cannula), storeroom.on_hand(tape)) == (4, 4)
    assert [(one.piece, one.lot, one.pieces) for one in bundles.pieces_in(made.lot)] == [
        (tape, None, 6),
        (cannula, soon, 2),
        (cannula, late, 1),
    ]


def test_two_lots_of_a_day_have_numbers_of_their_own(storeroom, cannula, tape, hold, make):
    hold(storeroom, cannula, 5)
    hold(storeroom, tape, 10)

    assert [make(1, key=key).lot.number for key in ("first", "second")] == ["M20260304-1", "M20260304-2"]


def test_bundles_of_pieces_without_a_date_have_none(storeroom, cannula, tape, hold, make):
    hold(storeroom, cannula, 1)
    hold(storeroom, tape, 2)

    assert make(1).lot.expires_on is None


def test_storeroom_that_lacks_pieces_is_told_of_which_and_nothing_is_written(storeroom, cannula, tape, hold, make):
    [passed] = [LotFactory(consumable=cannula, expires_on=date(2026, 3, 3))]
    [held_back] = [LotFactory(consumable=cannula, quarantined_at=NOON)]
    hold(storeroom, cannula, 4, passed)
    hold(storeroom, cannula, 4, held_back)
    hold(storeroom, cannula, 1)
    hold(storeroom, tape, 3)

    with pytest.raises(bundles.PiecesLacking) as refusal:
        make(2)

    assert "IV catheter, 20 G: 2 needed, 1 usable, 1 missing" in str(refusal.value)
    assert "Adhesive dressing strip: 4 needed, 3 usable, 1 missing" in str(refusal.value)
    assert not Assembly.objects.exists()
    assert not Movement.objects.filter(kind=Movement.Kind.MAKE_UP).exists()


def test_cart_is_believed_about_what_was_made_up_there(cart, cannula, tape, start_bundle, hold, make):
    hold(cart, cannula, 1)

    make(1, place=cart)

    assert (cart.on_hand(cannula), cart.on_hand(tape), cart.on_hand(start_bundle)) == (0, -2, 1)


def test_made_up_twice_with_one_key_is_made_up_once(storeroom, cannula, tape, start_bundle, hold, make):
    hold(storeroom, cannula, 5)
    hold(storeroom, tape, 10)
    first = make(2)

    assert make(2) == first
    assert storeroom.on_hand(start_bundle) == 2
    with pytest.raises(ledger.KeyReused):
        make(1)


def test_line_without_a_content_list_is_no_bundle(storeroom, tube, technician):
    with pytest.raises(ledger.Refused, match="no content list"):
        bundles.make_up(place=storeroom, bundle=tube, bundles=1, by=technician, at=NOON, key="x")


def test_taken_apart_gives_back_what_was_put_in_not_what_the_list_says_today(
    storeroom, cannula, tape, start_bundle, hold, make, technician
):
    soon, late = lots_of(cannula, 10, 20)
    hold(storeroom, cannula, 1, soon)
    hold(storeroom, cannula, 4, late)
    hold(storeroom, tape, 10)
    lot = make(3).lot
    BundlePiece.objects.filter(bundle=start_bundle, piece=tape).update(pieces_per_bundle=1)

    bundles.take_apart(place=storeroom, lot=lot, bundles=2, by=technician, at=NOON, key="apart")

    assert bundles.bundles_of(lot) == storeroom.on_hand(start_bundle) == 1
    assert storeroom.on_hand(tape) == 8
    assert storeroom.holdings.get(lot=soon).quantity == 1
    assert [(one.piece, one.lot, one.pieces) for one in bundles.pieces_in(lot)] == [(tape, None, 2), (cannula, late, 1)]


def test_no_more_bundles_are_taken_apart_than_stand_and_are_held(
    storeroom, cart, cannula, tape, hold, make, technician
):
    hold(storeroom, cannula, 5)
    hold(storeroom, tape, 10)
    made = make(3)
    told = {"lot": made.lot, "by": technician, "at": NOON}

    with pytest.raises(ledger.Refused, match="3 are not taken apart yet; not 4"):
        bundles.take_apart(place=storeroom, bundles=4, key="four", **told)
    ledger.move(
        source=storeroom, destination=cart, consumable=made.bundle, quantity=2, lot=made.lot, by=technician, at=NOON,
        key="two to the cart",
    )  # fmt: skip
    with pytest.raises(ledger.InsufficientStock):
        bundles.take_apart(place=storeroom, bundles=2, key="two", **told)


def test_assembly_is_taken_back_whole_or_not_at_all(
    storeroom, cart, cannula, tape, start_bundle, hold, make, technician
):
    hold(storeroom, cannula, 5)
    hold(storeroom, tape, 10)
    first, second = make(2), make(1, key="again")
    told = {"by": technician, "at": NOON}

    bundles.take_back(assembly=first, key="undo", **told)
    bundles.take_back(assembly=first, key="undo", **told)

    assert not first.movements.not_reversed().exists()
    assert second.movements.filter(reversal__isnull=False).count() == 0
    assert (storeroom.on_hand(start_bundle), storeroom.on_hand(cannula)) == (1, 4)
    assert not bundles.pieces_in(first.lot)
    ledger.use(place=storeroom, consumable=start_bundle, quantity=1, key="used", **told)
    with pytest.raises(ledger.Refused, match="record what happened"):
        bundles.take_back(assembly=second, key="undo second", **told)
    assert second.movements.filter(reversal__isnull=False).count() == 0


def test_lot_of_a_piece_leads_to_the_bundles_that_hold_it(
    storeroom, cannula, tape, start_bundle, hold, make, technician
):
    soon, late = lots_of(cannula, 10, 20)
    hold(storeroom, cannula, 1, soon)
    hold(storeroom, cannula, 5, late)
    hold(storeroom, tape, 10)
    first, second = make(1), make(1, key="second")
    big = ConsumableFactory(code="BU02", name="Induction bundle")
    BundlePiece.objects.create(bundle=big, piece=start_bundle)
    bigger = bundles.make_up(place=storeroom, bundle=big, bundles=1, by=technician, at=NOON, key="big")
    undone = make(1, key="undone")
    bundles.take_back(assembly=undone, by=technician, at=NOON, key="undo")

    assert bundles.lots_holding([soon]) == [first.lot, bigger.lot]
    assert bundles.lots_holding([late]) == [second.lot]
    [tape_lot] = lots_of(tape, 1)
    assert bundles.lots_holding([tape_lot]) == []
    assert bundles.lots_holding([tape_lot], or_unknown=True) == [first.lot, second.lot, bigger.lot]


STEPS = st.lists(
    st.one_of(
        st.tuples(st.just("receive"), st.integers(0, 3), st.integers(1, 6)),
        st.tuples(st.just("make"), st.integers(0, 1), st.integers(1, 3)),
        st.tuples(st.just("apart"), st.integers(0, 5), st.integers(1, 3)),
        st.tuples(st.just("carry"), st.integers(0, 5), st.integers(1, 2)),
        st.tuples(st.just("use"), st.integers(0, 1), st.integers(1, 2)),
        st.tuples(st.just("back"), st.integers(0, 5), st.just(0)),
    ),
    max_size=14,
)


@pytest.mark.django_db
@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(steps=STEPS)
def test_no_piece_is_lost_or_doubled_whatever_is_made_up_carried_used_and_taken_apart(steps):
    with transaction.atomic():
        by = UserFactory()
        piece, strip, bundle = (ConsumableFactory() for _ in range(3))
        per_bundle = {piece.pk: 1, strip.pk: 2}
        for pk, pieces in per_bundle.items():
            BundlePiece.objects.create(bundle=bundle, piece_id=pk, pieces_per_bundle=pieces)
        lots = [LotFactory(consumable=piece), LotFactory(consumable=piece), LotFactory(consumable=strip), None]
        places = [StoreroomFactory(), CartFactory()]
        made = []
        for number, (what, which, pieces) in enumerate(steps):
            told = {"by": by, "at": NOON, "key": f"step-{number}"}
            try:
                if what == "receive":
                    lot = lots[which]
                    line = lot.consumable if lot else strip
                    ledger.receive(place=places[0], consumable=line, lot=lot, quantity=pieces, **told)
                elif what == "make":
                    made.append(bundles.make_up(place=places[which], bundle=bundle, bundles=pieces, **told))
                elif what == "use":
                    ledger.use(place=places[which], consumable=bundle, quantity=pieces, **told)
                elif not made:
                    continue
                elif what == "apart":
                    lot = made[which % len(made)].lot
                    made.append(bundles.take_apart(place=places[which % 2], lot=lot, bundles=pieces, **told))
                elif what == "carry":
                    lot = made[which % len(made)].lot
                    ledger.move(
                        source=places[0], destination=places[1], consumable=bundle, lot=lot, quantity=pieces, **told
                    )
                else:
                    bundles.take_back(assembly=made[which % len(made)], **told)
            except ledger.Refused:
                continue

        assert not ledger.differences()
        totals = Holding.objects.order_by().values("consumable").annotate(n=Sum("quantity"))
        assert {row["n"] for row in totals} <= {0}
        inside = Place.objects.get(role=Place.Role.ASSEMBLY)
        for pk, pieces in per_bundle.items():
            assert inside.holdings.filter(consumable=pk).aggregate(n=Sum("quantity", default=0))["n"] == (
                -pieces * inside.on_hand(bundle)
            )
        for lot in Lot.objects.filter(consumable=bundle):
            held = dict.fromkeys(per_bundle, 0)
            for one in bundles.pieces_in(lot):
                held[one.piece.pk] += one.pieces
                assert one.pieces > 0
            assert held == {pk: pieces * bundles.bundles_of(lot) for pk, pieces in per_bundle.items()}
        transaction.set_rollback(True)
