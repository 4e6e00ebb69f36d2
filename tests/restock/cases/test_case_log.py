from datetime import UTC, date, datetime, time, timedelta
from uuid import uuid4

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from inventory import ledger
from inventory.models import Holding, Movement
from restock.cases.case_log import (
    SHIFT,
    AlreadyLogged,
    NotLogged,
    Opened,
    add_case,
    is_late,
    log_case,
    may_undo,
    undo_log,
)
from restock.models import Case, CaseLog, UsageRecord
from tests.factories import (
    CaseFactory,
    CaseTypeFactory,
    ConsumableFactory,
    LotFactory,
    SizeClassFactory,
    StockingLineFactory,
    UserFactory,
)

TEN = datetime(2026, 3, 5, 10, tzinfo=UTC)


@pytest.fixture
def case(room, stocked_cart):
    """The first case of `room` on 5 March, booked from 8 to 9."""
    return CaseFactory(room=room, date=date(2026, 3, 5), order=1, starts_at=time(8))


@pytest.fixture
def introducer(stocked_cart):
    """A line that `stocked_cart` keeps besides the tube: two of a lot that expires first, three of another."""
    line = ConsumableFactory(name="Introducer")
    StockingLineFactory(place=stocked_cart, consumable=line)
    return line


@pytest.fixture
def log(case, clinician):
    """`log({tube: (1, 0)})`: log the case at ten, as the clinician."""

    def told(pieces, *, key="entry", at=TEN, **more):
        lines = [Opened(consumable, *used_and_unused) for consumable, used_and_unused in pieces.items()]
        return log_case(case=case, lines=lines, by=clinician, at=at, key=key, **more)

    return told


def balances():
    return {(h.place_id, h.consumable_id, h.lot_id): h.quantity for h in Holding.objects.filter(quantity__gt=0)}


def records(case):
    return list(UsageRecord.objects.filter(case=case).order_by("pk").values_list("used", "opened_unused"))


class TestLogging:
    def test_takes_the_pieces_from_the_cart_of_the_room(self, log, case, tube, stocked_cart):
        log({tube: (1, 2)})

        assert stocked_cart.on_hand(tube) == 2
        record = case.usage.get()
        assert (record.used, record.opened_unused, record.movement.opened_unused) == (1, 2, 2)
        case.refresh_from_db()
        assert (case.status, case.logged_at) == (Case.Status.DONE, TEN)

    def test_what_no_cart_keeps_comes_from_the_storeroom(self, log, storeroom):
        line = ConsumableFactory()
        log({line: (1, 0)})

        assert storeroom.on_hand(line) == -1

    def test_entry_sent_twice_is_one_log(self, log, case, tube, stocked_cart):
        first = log({tube: (1, 0)})
        again = log({tube: (1, 0)})

        assert again == first
        assert stocked_cart.on_hand(tube) == 4
        assert records(case) == [(1, 0)]

    def test_key_with_other_content_is_refused(self, log, tube):
        log({tube: (1, 0)})

        with pytest.raises(ledger.KeyReused):
            log({tube: (2, 0)})

    def test_case_that_used_nothing_is_logged(self, log, case, tube):
        log({tube: (0, 0)})

        case.refresh_from_db()
        assert case.logged_at == TEN
        assert records(case) == []

    def test_second_entry_of_somebody_else_is_held_back(self, log, case, tube, stocked_cart):
        log({tube: (1, 0)})

        with pytest.raises(AlreadyLogged):
            log({tube: (1, 0)}, key="of a colleague")
        assert stocked_cart.on_hand(tube) == 4

    def test_more_is_added_when_said_so(self, log, case, tube, stocked_cart):
        log({tube: (1, 0)})
        log({tube: (1, 0)}, key="more", in_addition=True)

        assert stocked_cart.on_hand(tube) == 3
        assert records(case) == [(1, 0), (1, 0)]

    def test_fewer_than_zero_pieces_are_refused_whole(self, log, case, tube):
        with pytest.raises(ledger.Refused):
            log({tube: (-1, 2)})
        assert not CaseLog.objects.exists()

    def test_what_was_counted_after_the_entry_moves_no_stock(self, log, case, tube, stocked_cart, technician):
        """The entry waited on a device; in the meantime somebody counted what was left."""
        ledger.count(
            place=stocked_cart, consumable=tube, counted=4, by=technician, at=TEN + timedelta(hours=1), key="count"
        )
        log({tube: (1, 0)}, received_at=TEN + timedelta(hours=2))

        assert stocked_cart.on_hand(tube) == 4
        assert case.usage.get().movement is None
        case.refresh_from_db()
        assert case.logged_at == TEN + timedelta(hours=2)

    def test_late_entry_moves_no_stock_that_was_counted_after_the_slot(self, log, case, tube, stocked_cart, technician):
        ledger.count(place=stocked_cart, consumable=tube, counted=4, by=technician, at=TEN, key="count")
        log({tube: (1, 0)}, at=TEN + timedelta(hours=8))

        assert stocked_cart.on_hand(tube) == 4


class TestLate:
    # The slot is 8 to 9 (a case type of 60 minutes), and fresh for 4 hours more.
    @pytest.mark.parametrize(("hour", "late"), [(9, False), (13, False), (14, True)])
    def test_entry_is_late_four_hours_after_its_slot(self, case, hour, late):
        assert is_late(case, datetime(2026, 3, 5, hour, tzinfo=UTC)) is late

    def test_slot_without_a_start_ends_with_its_day(self, case):
        case.starts_at = None

        assert not is_late(case, datetime(2026, 3, 6, 4, tzinfo=UTC))
        assert is_late(case, datetime(2026, 3, 6, 4, 1, tzinfo=UTC))


class TestUndoing:
    @given(data=st.data())
    @settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
    def test_undoing_restores_every_balance(
        self, data, log, case, tube, introducer, stocked_cart, clinician, technician
    ):
        """Whatever was used, more than was there too, and over several lots: the balances are those of before."""
        for pieces, expires_on in [(2, date(2026, 6, 1)), (3, date(2027, 6, 1))]:
            lot = LotFactory(consumable=introducer, expires_on=expires_on)
            ledger.receive(
                place=stocked_cart,
                consumable=introducer,
                lot=lot,
                quantity=pieces,
                by=technician,
                at=TEN,
                key=f"{uuid4()}",
            )
        used = {line: data.draw(st.tuples(st.integers(0, 9), st.integers(0, 4))) for line in (tube, introducer)}
        before = balances()

        entry = log(used, key=f"{uuid4()}")
        undo_log(log=entry, by=clinician, at=TEN, key=f"{uuid4()}")

        assert balances() == before
        assert ledger.differences() == []
        assert [sum(figures) for figures in zip((0, 0), *records(case), strict=True)] == [0, 0]

    def test_reversal_is_visible_as_such_and_the_case_is_open_again(self, log, case, tube, clinician):
        entry = log({tube: (1, 1)})
        undo = undo_log(log=entry, by=clinician, at=TEN, key="undo")

        assert undo.undoes == entry
        assert records(case) == [(1, 1), (-1, -1)]
        assert undo.records.get().movement.kind == Movement.Kind.REVERSE
        case.refresh_from_db()
        assert (case.status, case.logged_at) == (Case.Status.SCHEDULED, None)

    def test_sent_twice_is_one_undoing(self, log, case, tube, stocked_cart, clinician):
        entry = log({tube: (1, 0)})
        first = undo_log(log=entry, by=clinician, at=TEN, key="undo")

        assert undo_log(log=entry, by=clinician, at=TEN, key="undo") == first
        assert stocked_cart.on_hand(tube) == 5

    def test_can_be_followed_by_a_new_entry(self, log, case, tube, stocked_cart, clinician):
        undo_log(log=log({tube: (1, 0)}), by=clinician, at=TEN, key="undo")
        log({tube: (2, 0)}, key="anew")

        assert stocked_cart.on_hand(tube) == 3
        case.refresh_from_db()
        assert case.status == Case.Status.DONE

    def test_leaves_the_case_logged_where_another_entry_stands(self, log, case, tube, clinician):
        entry = log({tube: (1, 0)})
        log({tube: (1, 0)}, key="more", in_addition=True)
        undo_log(log=entry, by=clinician, at=TEN, key="undo")

        case.refresh_from_db()
        assert case.status == Case.Status.DONE

    def test_is_for_who_logged_it_within_a_shift_and_once(self, log, tube, clinician):
        entry = log({tube: (1, 0)})
        entry.refresh_from_db()

        assert may_undo(entry, by=clinician, at=entry.recorded_at + SHIFT)
        assert not may_undo(entry, by=clinician, at=entry.recorded_at + SHIFT + timedelta(seconds=1))
        assert not may_undo(entry, by=UserFactory(), at=entry.recorded_at)
        undo_log(log=entry, by=clinician, at=TEN, key="undo")
        with pytest.raises(NotLogged):
            undo_log(log=entry, by=clinician, at=TEN, key="again")


class TestAdding:
    def test_slot_stands_behind_the_others_of_its_room_and_was_not_booked(self, case, room):
        hysteroscopy, adult = CaseTypeFactory(), SizeClassFactory()
        added = add_case(room=room, day=case.date, case_type=hysteroscopy, size_class=adult, key="device")

        assert (added.order, added.status, added.added_on_the_day) == (2, Case.Status.ADDED, True)
        assert added.technique == hysteroscopy.technique

    def test_sent_twice_is_one_slot(self, case, room):
        kind = {"case_type": CaseTypeFactory(), "size_class": SizeClassFactory()}
        first = add_case(room=room, day=case.date, key="device", **kind)

        assert add_case(room=room, day=case.date, key="device", **kind) == first

    def test_undone_log_of_it_leaves_it_added(self, room, case, tube, clinician):
        added = add_case(
            room=room, day=case.date, case_type=CaseTypeFactory(), size_class=SizeClassFactory(), key="device"
        )
        entry = log_case(case=added, lines=[Opened(tube, 1)], by=clinician, at=TEN, key="entry")
        undo_log(log=entry, by=clinician, at=TEN, key="undo")

        added.refresh_from_db()
        assert added.status == Case.Status.ADDED
