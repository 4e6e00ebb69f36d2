from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

import pytest

from inventory import ledger
from inventory.models import Count, Holding, Movement, Place
from tests.factories import ConsumableFactory, DepartmentFactory, LotFactory, StoreroomFactory

NOON = datetime(2026, 3, 4, 12, tzinfo=UTC)
TODAY = NOON.date()


@pytest.fixture
def soon(tube):
    return LotFactory(consumable=tube, number="SOON", expires_on=TODAY + timedelta(days=9))


@pytest.fixture
def late(tube):
    return LotFactory(consumable=tube, number="LATE", expires_on=TODAY + timedelta(days=900))


@pytest.fixture
def hold(technician, tube):
    """Put pieces of a lot at a place: `hold(cart, 5, lot)`."""

    def hold(place, quantity, lot=None):
        key = f"hold-{Movement.objects.count()}"
        ledger.receive(
            place=place,
            consumable=tube,
            quantity=quantity,
            lot=lot,
            by=technician,
            at=NOON - timedelta(days=1),
            key=key,
        )

    return hold


def balances(place):
    """Pieces by lot number at a place; pieces without a lot under None, empty balances left out."""
    held = Holding.objects.filter(place=place).values_list("lot__number", "quantity")
    return {number: pieces for number, pieces in held if pieces}


# -- Keys ---------------------------------------------------------------------------------------------------------


def test_use_sent_twice_is_recorded_once(stocked_cart, tube, clinician):
    first = ledger.use(place=stocked_cart, consumable=tube, quantity=1, by=clinician, at=NOON, key="use-1")
    again = ledger.use(place=stocked_cart, consumable=tube, quantity=1, by=clinician, at=NOON, key="use-1")

    assert again == first
    assert stocked_cart.on_hand(tube) == 4


def test_second_submission_may_come_later_and_from_someone_else(stocked_cart, tube, clinician, technician):
    told = {"place": stocked_cart, "consumable": tube, "quantity": 1, "key": "use-1"}
    first = ledger.use(**told, by=clinician, at=NOON)

    again = ledger.use(**told, by=technician, at=NOON + timedelta(minutes=5))

    assert (again, again.by, again.at) == (first, clinician, NOON)


def test_key_that_comes_again_with_another_quantity_is_refused(stocked_cart, tube, clinician):
    ledger.use(place=stocked_cart, consumable=tube, quantity=1, by=clinician, at=NOON, key="use-1")

    with pytest.raises(ledger.KeyReused, match="recorded before with other content, and that record stands") as refused:
        ledger.use(place=stocked_cart, consumable=tube, quantity=2, by=clinician, at=NOON, key="use-1")

    assert "use-1" not in str(refused.value)
    assert stocked_cart.on_hand(tube) == 4


def test_use_from_two_lots_sent_twice_is_recorded_once(cart, tube, clinician, hold, soon, late):
    hold(cart, 2, soon)
    hold(cart, 5, late)
    told = {"place": cart, "consumable": tube, "quantity": 3, "by": clinician, "at": NOON, "key": "use-1"}

    assert ledger.use(**told) == ledger.use(**told)
    assert [(m.key, m.quantity) for m in ledger.movements_of("use-1")] == [("use-1", 2), ("use-1#2", 1)]
    assert cart.on_hand(tube) == 4


# -- Use ----------------------------------------------------------------------------------------------------------


def test_use_takes_first_expiring_lots_first_and_the_rest_from_pieces_without_a_lot(
    cart, tube, clinician, hold, soon, late
):
    hold(cart, 2, late)
    hold(cart, 2, soon)
    hold(cart, 2)

    ledger.use(place=cart, consumable=tube, quantity=3, by=clinician, at=NOON, key="use-1")
    assert balances(cart) == {"LATE": 1, None: 2}

    ledger.use(place=cart, consumable=tube, quantity=2, by=clinician, at=NOON, key="use-2")
    assert balances(cart) == {None: 1}


def test_use_that_the_record_cannot_cover_is_kept_and_asks_for_a_count(stocked_cart, tube, clinician):
    ledger.use(place=stocked_cart, consumable=tube, quantity=7, by=clinician, at=NOON, key="use-1")

    assert stocked_cart.on_hand(tube) == -2
    assert [holding.needs_count for holding in Holding.objects.below_zero()] == [True]


def test_use_leaves_out_of_date_and_quarantined_lots_alone(cart, tube, clinician, hold, late):
    expired = LotFactory(consumable=tube, number="OLD", expires_on=TODAY - timedelta(days=1))
    late.quarantined_at = NOON
    late.save()
    hold(cart, 3, expired)
    hold(cart, 3, late)

    ledger.use(place=cart, consumable=tube, quantity=1, by=clinician, at=NOON, key="use-1")

    assert balances(cart) == {"OLD": 3, "LATE": 3, None: -1}


def test_opened_unused_pieces_leave_the_cart_and_are_told_apart(stocked_cart, tube, clinician):
    movement = ledger.use(
        place=stocked_cart, consumable=tube, quantity=1, opened_unused=2, by=clinician, at=NOON, key="use-1"
    )

    assert (movement.quantity, movement.opened_unused) == (3, 2)
    assert stocked_cart.on_hand(tube) == 2


def test_lot_of_another_line_is_refused(stocked_cart, tube, clinician):
    with pytest.raises(ledger.Refused, match="lot of another line"):
        ledger.use(
            place=stocked_cart, consumable=tube, quantity=1, lot=LotFactory(), by=clinician, at=NOON, key="use-1"
        )


# -- Receive, move, discard, adjust -------------------------------------------------------------------------------


def test_storeroom_gives_no_more_of_a_lot_than_it_holds(storeroom, cart, tube, technician, hold, soon):
    hold(storeroom, 3, soon)
    hold(storeroom, 9)

    with pytest.raises(ledger.InsufficientStock) as refused:
        ledger.move(
            source=storeroom, destination=cart, consumable=tube, lot=soon, quantity=4, by=technician, at=NOON, key="m"
        )

    assert str(refused.value).startswith(
        "Main storeroom holds 3 of ETT-7.0 Tracheal tube, cuffed, 7.0 mm of lot SOON; 4 were asked for."
    )
    assert balances(storeroom) == {"SOON": 3, None: 9}
    assert not Movement.objects.filter(kind="move").exists()


def test_cart_may_give_more_than_its_record_holds(stocked_cart, storeroom, tube, technician):
    ledger.move(
        source=stocked_cart, destination=storeroom, consumable=tube, quantity=6, by=technician, at=NOON, key="m"
    )

    assert (stocked_cart.on_hand(tube), storeroom.on_hand(tube)) == (-1, 6)


def test_discard_and_adjust_change_what_is_on_hand(stocked_cart, tube, technician):
    told = {"place": stocked_cart, "consumable": tube, "by": technician, "at": NOON}

    ledger.discard(**told, quantity=1, key="d", reason="package torn")
    ledger.adjust(**told, difference=-2, key="a", reason="count")
    assert stocked_cart.on_hand(tube) == 2

    ledger.adjust(**told, difference=3, key="b", reason="found behind the drawer")
    assert stocked_cart.on_hand(tube) == 5


def test_count_of_another_departments_line_is_refused_though_it_changes_nothing(tube, technician):
    elsewhere = StoreroomFactory(department=DepartmentFactory(code="other"))

    with pytest.raises(ledger.Refused, match="different departments"):
        ledger.count(place=elsewhere, consumable=tube, counted=0, by=technician, at=NOON, key="c")

    assert not Count.objects.exists()
    assert not Holding.objects.exists()


def test_pieces_cannot_go_to_another_department(stocked_cart, tube, technician):
    elsewhere = StoreroomFactory(department=DepartmentFactory(code="other"))

    with pytest.raises(ledger.Refused, match="different departments"):
        ledger.move(
            source=stocked_cart, destination=elsewhere, consumable=tube, quantity=1, by=technician, at=NOON, key="m"
        )


@pytest.mark.parametrize("quantity", [0, -1])
def test_fewer_than_one_piece_cannot_be_received(storeroom, tube, technician, quantity):
    with pytest.raises(ledger.Refused, match="at least one piece"):
        ledger.receive(place=storeroom, consumable=tube, quantity=quantity, by=technician, at=NOON, key="r")


# -- Count --------------------------------------------------------------------------------------------------------


def test_count_of_fewer_pieces_is_missed_first_without_a_lot_then_from_the_last_expiring(
    cart, tube, technician, hold, soon, late
):
    hold(cart, 3, soon)
    hold(cart, 3, late)
    hold(cart, 1)

    count = ledger.count(place=cart, consumable=tube, counted=4, by=technician, at=NOON, key="c")

    assert (count.expected, count.variance) == (7, -3)
    assert balances(cart) == {"SOON": 3, "LATE": 1}


@pytest.mark.parametrize("below_zero", ["pieces without a lot", "lot"])
def test_count_settles_a_balance_below_zero_even_where_the_total_was_right(
    cart, tube, technician, hold, soon, below_zero
):
    full, short = (soon, None) if below_zero == "pieces without a lot" else (None, soon)
    hold(cart, 3, full)
    ledger.adjust(
        place=cart, consumable=tube, difference=-1, lot=short, by=technician, at=NOON, key="a", reason="miscounted"
    )

    ledger.count(place=cart, consumable=tube, counted=2, by=technician, at=NOON, key="c")

    assert balances(cart) == {full and "SOON": 2}
    assert not Holding.objects.below_zero().exists()


def test_count_that_agrees_is_kept_and_moves_nothing(stocked_cart, tube, technician):
    movements = Movement.objects.count()

    count = ledger.count(place=stocked_cart, consumable=tube, counted=5, by=technician, at=NOON, key="c")

    assert count.variance == 0
    assert Movement.objects.count() == movements


def test_count_sent_twice_is_recorded_once(stocked_cart, tube, technician, clinician):
    told = {"place": stocked_cart, "consumable": tube, "counted": 2, "by": technician, "key": "c"}
    first = ledger.count(**told, at=NOON)
    ledger.use(place=stocked_cart, consumable=tube, quantity=1, by=clinician, at=NOON, key="use-1")

    again = ledger.count(**told, at=NOON + timedelta(minutes=1))

    assert again == first
    assert stocked_cart.on_hand(tube) == 1
    assert Count.objects.filter(key="c").count() == 1


# -- Reverse ------------------------------------------------------------------------------------------------------


def test_reversal_restores_both_sides_and_keeps_both_movements(stocked_cart, tube, clinician):
    use = ledger.use(
        place=stocked_cart, consumable=tube, quantity=1, opened_unused=1, by=clinician, at=NOON, key="use-1"
    )

    ledger.reverse(movement=use, by=clinician, at=NOON, key="undo-1", reason="wrong room")

    used = ledger.virtual_place(stocked_cart.department, Place.Role.USED)
    assert (stocked_cart.on_hand(tube), used.on_hand(tube)) == (5, 0)
    assert not Movement.objects.filter(kind__in=["use", "reverse"]).not_reversed().exists()
    assert Movement.objects.filter(kind__in=["use", "reverse"]).count() == 2


def test_movement_is_reversed_once_and_a_reversal_never(stocked_cart, tube, clinician):
    use = ledger.use(place=stocked_cart, consumable=tube, quantity=1, by=clinician, at=NOON, key="use-1")
    told = {"movement": use, "by": clinician, "at": NOON, "reason": "wrong room"}
    undo = ledger.reverse(**told, key="undo-1")

    assert ledger.reverse(**told, key="undo-1") == undo
    with pytest.raises(ledger.NotReversible, match="already reversed"):
        ledger.reverse(**told, key="undo-2")
    with pytest.raises(ledger.NotReversible, match="cannot be reversed"):
        ledger.reverse(**told | {"movement": undo}, key="undo-3")
    assert stocked_cart.on_hand(tube) == 5


# -- Many at once -------------------------------------------------------------------------------------------------


@pytest.fixture
def issue(storeroom, cart, tube):
    """An entry that moves one tube from the storeroom to the cart."""
    return ledger.Entry(
        kind=Movement.Kind.MOVE,
        source=storeroom.pk,
        destination=cart,
        consumable=tube.pk,
        quantity=1,
        at=NOON,
        key="issue-0",
    )


def test_load_that_is_repeated_writes_only_what_is_new(storeroom, cart, tube, technician, hold, issue):
    hold(storeroom, 9)
    entries = [replace(issue, key=f"issue-{n}") for n in range(4)]

    assert ledger.record(entries[:3], by=technician) == list(Movement.objects.filter(kind="move"))
    assert [m.key for m in ledger.record(entries, by=technician)] == ["issue-3"]
    assert (storeroom.on_hand(tube), cart.on_hand(tube)) == (5, 4)


def test_load_that_fails_in_the_middle_writes_nothing(storeroom, cart, tube, technician, hold, issue):
    hold(storeroom, 2)

    with pytest.raises(ledger.InsufficientStock):
        ledger.record([replace(issue, key=f"issue-{n}") for n in range(3)], by=technician)

    assert (storeroom.on_hand(tube), cart.on_hand(tube)) == (2, 0)


def test_key_that_stands_twice_in_one_load_with_other_content_is_refused(storeroom, technician, hold, issue):
    hold(storeroom, 9)

    with pytest.raises(ledger.KeyReused):
        ledger.record([issue, replace(issue, quantity=2)], by=technician)


def test_kind_that_does_not_fit_its_places_is_refused(technician, issue):
    with pytest.raises(ledger.Refused, match="cannot be received from Main storeroom to Cart 1"):
        ledger.record([replace(issue, kind=Movement.Kind.RECEIVE)], by=technician)


# -- Tracing ------------------------------------------------------------------------------------------------------


def test_lot_is_traced_from_receipt_to_bins_in_one_query(
    storeroom, cart, tube, technician, clinician, hold, soon, django_assert_num_queries
):
    hold(storeroom, 5, soon)
    ledger.move(
        source=storeroom, destination=cart, consumable=tube, lot=soon, quantity=3, by=technician, at=NOON, key="m"
    )
    ledger.use(place=cart, consumable=tube, quantity=1, by=clinician, at=NOON, key="use-1")
    ledger.use(place=cart, consumable=ConsumableFactory(), quantity=1, by=clinician, at=NOON, key="use-2")

    with django_assert_num_queries(1):
        trace = list(soon.movements.values_list("source__code", "destination__code", "quantity"))

    assert trace == [("supplier", "MAIN", 5), ("MAIN", "CART-1", 3), ("CART-1", "used", 1)]


def test_day_of_use_is_the_departments_own(cart, tube, clinician, hold):
    """At 06:00 UTC on 5 March it is still 4 March in Honolulu, and a lot of 4 March can still be used."""
    cart.department.time_zone = "Pacific/Honolulu"
    hold(cart, 1, LotFactory(consumable=tube, number="LAST-DAY", expires_on=date(2026, 3, 4)))

    ledger.use(
        place=cart, consumable=tube, quantity=1, by=clinician, at=datetime(2026, 3, 5, 6, tzinfo=UTC), key="use-1"
    )

    assert balances(cart) == {}


def test_pieces_given_back_are_with_the_supplier_again(stocked_cart, tube, technician):
    ledger.give_back(
        place=stocked_cart, consumable=tube, quantity=2, by=technician, at=NOON, key="back", reason="recalled"
    )

    assert stocked_cart.on_hand(tube) == 3
    assert ledger.virtual_place(stocked_cart.department, Place.Role.SUPPLIER).on_hand(tube) == 2
