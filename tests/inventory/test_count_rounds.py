"""Blind counts, second counts, and what reaches the ledger."""

from datetime import UTC, date, datetime, timedelta

import pytest
from django.core.exceptions import ValidationError

from inventory import ledger
from inventory.count_rounds import (
    NotCounted,
    Recount,
    ToCount,
    add_line,
    count_again,
    differs,
    finish_round,
    lots_counted,
    lots_to_read,
    open_round,
    record_count,
    say_cause,
    stage,
    variance,
)
from inventory.models import Count, CountRound
from tests.factories import LotFactory, StockingLineFactory, UserFactory

NOON = datetime(2026, 3, 4, 12, tzinfo=UTC)
RECOUNT = Recount(pieces=3, share=0.2)


def later(minutes):
    return NOON + timedelta(minutes=minutes)


@pytest.fixture
def colleague(db):
    return UserFactory(username="colleague", groups=["technician"])


@pytest.fixture
def task(department, cart, tube, storeroom, technician):
    """A round that asks for the tubes of the cart, of which twenty are on record."""
    ledger.receive(place=storeroom, consumable=tube, quantity=90, by=technician, at=later(-90), key="in")
    ledger.move(
        source=storeroom, destination=cart, consumable=tube, quantity=20, by=technician, at=later(-60), key="fill"
    )
    opened = open_round(
        department=department,
        lines=[ToCount(cart.pk, tube.pk, "age")],
        for_date=date(2026, 3, 4),
        by=technician,
        at=NOON,
    )
    return opened.tasks.get()


def count(task, counted, *, by, at=NOON, seen="open", **told):
    return record_count(task_id=task.pk, counted=counted, seen=seen, recount=RECOUNT, by=by, at=at, **told)


@pytest.mark.parametrize(
    ("counted", "expected", "asked"),
    [(20, 20, False), (18, 20, False), (16, 20, True), (26, 20, True), (97, 100, False), (0, 2, False), (3, -1, True)],
)
def test_a_second_count_is_asked_for_where_pieces_and_share_are_both_much(counted, expected, asked):
    assert RECOUNT.asked(counted, expected) is asked


def test_limits_of_zero_ask_for_a_second_count_of_every_difference_and_of_nothing_else():
    assert Recount(0, 0.0).asked(4, 5)
    assert not Recount(0, 0.0).asked(5, 5)


def test_a_count_near_the_record_settles_the_line_at_once(task, cart, tube, technician):
    settled = count(task, 19, by=technician)

    assert (stage(settled), variance(settled), cart.on_hand(tube)) == ("settled", -1, 19)


def test_a_count_far_from_the_record_waits_for_a_second_one_and_leaves_the_ledger_alone(
    task, cart, tube, technician, colleague
):
    assert stage(count(task, 10, by=technician)) == "again"
    assert (cart.on_hand(tube), Count.objects.count()) == (20, 0)

    settled = count(task, 12, by=colleague, at=later(5), seen="again")

    assert (settled.first_counted, settled.second_counted, settled.count.by) == (10, 12, colleague)
    assert (stage(settled), variance(settled), cart.on_hand(tube)) == ("settled", -8, 12)


def test_pieces_used_between_the_two_counts_make_no_difference_to_either(task, cart, tube, technician, clinician):
    """20 on record, 14 there. Four are used and logged; the second count finds the ten that are left."""
    first = count(task, 14, by=technician)
    ledger.use(place=cart, consumable=tube, quantity=4, by=clinician, at=later(2), key="use")
    settled = count(task, 10, by=technician, at=later(5), seen="again")

    assert (first.first_counted - first.expected, variance(settled), cart.on_hand(tube)) == (-6, -6, 10)


def test_a_count_told_later_keeps_what_was_recorded_since_the_person_looked(task, cart, tube, technician, clinician):
    """Nineteen were counted on paper at noon; three are used before the sheet is typed in."""
    ledger.use(place=cart, consumable=tube, quantity=3, by=clinician, at=later(30), key="use")

    settled = count(task, 19, by=technician, at=later(60), seen_at=NOON)

    assert (settled.expected, variance(settled), cart.on_hand(tube)) == (20, -1, 16)


def test_pieces_on_a_trolley_are_neither_expected_in_the_drawer_nor_lost(task, cart, tube, technician):
    settled = count(task, 15, by=technician, elsewhere=5)

    assert (settled.expected, variance(settled), cart.on_hand(tube)) == (15, 0, 20)


def test_the_same_count_sent_twice_is_recorded_once(task, technician):
    count(task, 10, by=technician)
    assert stage(count(task, 10, by=technician)) == "again"
    count(task, 10, by=technician, seen="again")
    count(task, 10, by=technician, seen="again")

    assert Count.objects.count() == 1


def test_two_people_who_count_at_the_same_time_have_counted_twice(task, technician, colleague):
    count(task, 10, by=technician)

    assert stage(count(task, 11, by=colleague)) == "settled"


def test_another_figure_for_a_settled_line_is_refused_with_the_name_of_who_settled_it(
    task, cart, tube, technician, colleague
):
    count(task, 20, by=technician)

    with pytest.raises(NotCounted, match="has counted 20 here meanwhile"):
        count(task, 18, by=colleague)
    assert cart.on_hand(tube) == 20


def test_a_second_figure_of_who_was_not_told_of_a_second_count_is_refused(task, technician):
    count(task, 10, by=technician)

    with pytest.raises(NotCounted, match="Count the line once more"):
        count(task, 12, by=technician)


def test_a_settled_line_can_be_counted_again_and_both_counts_stay_in_the_ledger(task, cart, tube, technician):
    count(task, 19, by=technician)
    count_again(task_id=task.pk)
    count(task, 21, by=technician, at=later(9))

    assert (Count.objects.count(), cart.on_hand(tube)) == (2, 21)


def test_a_cause_is_kept_and_a_note_about_a_person_is_not(task, technician):
    with pytest.raises(NotCounted):
        say_cause(task_id=task.pk, cause="lost")
    count(task, 19, by=technician)
    with pytest.raises(ValidationError):
        say_cause(task_id=task.pk, cause="lost", note="record 4711123")
    with pytest.raises(ValidationError):
        say_cause(task_id=task.pk, cause="mood")

    assert say_cause(task_id=task.pk, cause="lost", note="behind the drawer").cause == "lost"


def test_a_round_that_runs_is_gone_on_with_and_a_finished_one_takes_no_counts(task, department, cart, tube, technician):
    lines = [ToCount(cart.pk, tube.pk, "drift")]
    again = open_round(department=department, lines=lines, for_date=task.round.for_date, by=technician, at=later(1))
    assert again == task.round

    assert finish_round(round=task.round, at=later(2))
    assert not finish_round(round=task.round, at=later(3))
    with pytest.raises(NotCounted, match="finished"):
        count(task, 20, by=technician)
    assert CountRound.objects.get().finished_at == later(2)


def test_a_line_come_upon_is_added_once(task, cart, storeroom, tube):
    added = add_line(round=task.round, place=storeroom, consumable=tube)

    assert add_line(round=task.round, place=storeroom, consumable=tube) == added
    assert (added.why, added.position) == ("asked", 2)


def test_a_round_without_a_line_is_not_begun(department, technician):
    with pytest.raises(NotCounted):
        open_round(department=department, lines=[], for_date=date(2026, 3, 4), by=technician, at=NOON)


class TestLotByLot:
    """Ten of lot A and six of lot B on record in the storeroom, and one piece whose lot nobody read."""

    @pytest.fixture
    def lots(self, tube):
        return [LotFactory(consumable=tube, number=number) for number in "AB"]

    @pytest.fixture
    def shelf(self, department, storeroom, tube, technician, lots):
        StockingLineFactory(place=storeroom, consumable=tube, par=20)
        for lot, pieces in zip([*lots, None], (10, 6, 1), strict=True):
            told = {"place": storeroom, "consumable": tube, "lot": lot, "quantity": pieces}
            ledger.receive(**told, by=technician, at=later(-90), key=f"in {lot}")
        lines = [ToCount(storeroom.pk, tube.pk, "age")]
        day = date(2026, 3, 4)
        return open_round(department=department, lines=lines, for_date=day, by=technician, at=NOON).tasks.get()

    @staticmethod
    def held(storeroom):
        return dict(storeroom.holdings.exclude(quantity=0).values_list("lot__number", "quantity"))

    def test_each_lot_s_difference_is_posted_to_that_lot(self, shelf, storeroom, technician, lots):
        a, b = lots
        settled = count(shelf, {a.pk: 9, b.pk: 7, None: 0}, by=technician)

        assert (stage(settled), variance(settled), differs(settled)) == ("settled", -1, True)
        assert self.held(storeroom) == {"A": 9, "B": 7}
        assert {one.lot and one.lot.number: one.variance for one in lots_counted(settled)} == {
            "A": -1,
            "B": 1,
            None: -1,
        }
        assert not list(ledger.differences())

    def test_lots_that_changed_places_differ_although_the_total_agrees(self, shelf, storeroom, technician, lots):
        a, b = lots
        settled = count(shelf, {a.pk: 8, b.pk: 8, None: 1}, by=technician)

        assert (variance(settled), differs(settled)) == (0, True)
        assert self.held(storeroom) == {"A": 8, "B": 8, None: 1}

    def test_a_lot_far_off_asks_for_a_second_look_although_the_total_agrees(
        self, shelf, storeroom, technician, colleague, lots
    ):
        a, b = lots
        assert stage(count(shelf, {a.pk: 4, b.pk: 12, None: 1}, by=technician)) == "again"
        assert self.held(storeroom) == {"A": 10, "B": 6, None: 1}

        count(shelf, {a.pk: 5, b.pk: 11, None: 1}, by=colleague, seen="again")

        assert self.held(storeroom) == {"A": 5, "B": 11, None: 1}

    def test_a_lot_found_beside_those_on_record_comes_on_record(self, shelf, storeroom, tube, technician, lots):
        a, b = lots
        found = LotFactory(consumable=tube, number="C")
        count(shelf, {a.pk: 10, b.pk: 6, None: 0, found.pk: 2}, by=technician)

        assert self.held(storeroom) == {"A": 10, "B": 6, "C": 2}

    def test_what_came_and_went_since_the_person_looked_is_kept_by_lot(
        self, shelf, storeroom, cart, tube, technician, lots
    ):
        a, b = lots
        told = {"source": storeroom, "destination": cart, "consumable": tube, "by": technician, "at": later(30)}
        ledger.move(**told, lot=a, quantity=4, key="fill")

        settled = count(shelf, {a.pk: 9, b.pk: 6, None: 1}, by=technician, at=later(60), seen_at=NOON)

        assert (settled.expected, variance(settled)) == (17, -1)
        assert self.held(storeroom) == {"A": 5, "B": 6, None: 1}

    def test_the_same_figures_twice_are_one_count_and_other_lots_are_another(self, shelf, technician, colleague, lots):
        a, b = lots
        count(shelf, {a.pk: 10, b.pk: 6, None: 1}, by=technician)
        count(shelf, {a.pk: 10, b.pk: 6, None: 1}, by=technician)

        assert Count.objects.count() == 1
        with pytest.raises(NotCounted, match="meanwhile"):
            count(shelf, {a.pk: 9, b.pk: 7, None: 1}, by=colleague)

    def test_counted_again_its_lots_are_read_anew(self, shelf, technician, lots):
        a, b = lots
        count(shelf, {a.pk: 9, b.pk: 7, None: 1}, by=technician)

        assert not lots_counted(count_again(task_id=shelf.pk))

    def test_only_lines_of_storerooms_that_are_kept_by_lot_are_read_by_lot(
        self, shelf, department, cart, tube, technician, lots
    ):
        StockingLineFactory(place=cart, consumable=tube, par=5)
        on_cart = add_line(round=shelf.round, place=cart, consumable=tube)

        assert lots_to_read([shelf, on_cart]) == {shelf.pk: lots}
        shelf.place.stocking_lines.update(tracking="earliest_date")
        assert lots_to_read([shelf, on_cart]) == {}
