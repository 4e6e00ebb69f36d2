"""The tallies after many nights are what one recount of the whole log would give."""

import random
import threading
from collections import Counter, defaultdict
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, date, datetime, timedelta
from itertools import count

import pytest
from django.db import connections

from inventory import ledger
from inventory.models import Basis, Department
from restock.cases.case_log import Opened, log_case, undo_log
from restock.cases.setups import Setups
from restock.learning.opened_unused import opened_unused
from restock.learning.tallies import bring_forward
from restock.models import (
    Learning,
    OpenedTally,
    Policy,
    QuantityTally,
    SetupStandard,
    SplitTally,
    Stratum,
    UsageRecord,
)
from tests.factories import (
    CaseFactory,
    CaseTypeFactory,
    ConsumableFactory,
    ExtraFactory,
    LotFactory,
    RoomFactory,
    SizeRunFactory,
    StockingLineFactory,
)

DAY = date(2026, 3, 2)


def night(n: int) -> datetime:
    return datetime(2026, 3, 2, 20, tzinfo=UTC) + timedelta(days=n)


@pytest.fixture
def case_type(department):
    return CaseTypeFactory()


@pytest.fixture
def log(department, room, case_type):
    """log(day, {consumable: pieces}) makes a case of that day that used them."""

    def logged(day, pieces, at=None, extras=(), where=room):
        n = CaseFactory._meta.model.objects.filter(date=day, room=where).count()
        case = CaseFactory(
            room=where,
            date=day,
            order=n + 1,
            case_type=case_type,
            extras=extras,
            logged_at=at or night((day - DAY).days),
        )
        for consumable, used in pieces.items():
            UsageRecord.objects.create(department=department, case=case, consumable=consumable, used=used)
        return case

    return logged


def tallied() -> dict:
    """Weights as (kind of line, its code, extras, pieces) -> weight, without what has been corrected away."""
    found = {
        (t.size_run or t.consumable, t.stratum.extras, t.quantity): pytest.approx(t.weight)
        for t in QuantityTally.objects.select_related("stratum", "consumable", "size_run")
        if abs(t.weight) > 1e-9
    }
    return found


def test_a_logged_case_is_tallied_with_what_it_used(department, log):
    mask, syringe = ConsumableFactory(), ConsumableFactory()
    log(DAY, {mask: 1, syringe: 4})

    bring_forward(department=department, at=night(0))

    assert tallied() == {(mask, "", 1): 1.0, (syringe, "", 4): 1.0}
    assert Stratum.objects.get(room=None).cases == pytest.approx(1.0)


def test_a_case_that_used_nothing_is_counted_once(department, log):
    log(DAY, {}, at=night(0) - timedelta(hours=1))

    bring_forward(department=department, at=night(0))
    bring_forward(department=department, at=night(1))

    assert Stratum.objects.get(room=None).cases == pytest.approx(1.0)


@pytest.mark.parametrize("nights", [1, 2])
@pytest.mark.parametrize("used", [2, 0])
def test_case_whose_log_was_taken_back_does_not_count_as_having_used_nothing(
    department, room, case_type, technician, used, nights
):
    line, roll = ConsumableFactory(), ConsumableFactory(basis=Basis.PER_ROOM_DAY)
    case = CaseFactory(room=room, date=DAY, order=1, case_type=case_type)
    lines = [Opened(line, used), Opened(roll, used)]
    entry = log_case(case=case, lines=lines, by=technician, at=night(0) - timedelta(hours=2), key="told")
    if nights == 2:
        bring_forward(department=department, at=night(0))
    undo_log(log=entry, by=technician, at=night(0) + timedelta(hours=1), key="taken back")

    bring_forward(department=department, at=night(1))

    assert tallied() == {}
    assert sum(Stratum.objects.values_list("cases", flat=True)) == pytest.approx(0.0)


def test_case_logged_again_after_its_log_was_taken_back_counts_once(department, room, case_type, technician):
    line = ConsumableFactory()
    case = CaseFactory(room=room, date=DAY, order=1, case_type=case_type)
    at = night(0) - timedelta(hours=2)
    entry = log_case(case=case, lines=[Opened(line, 2)], by=technician, at=at, key="told")
    bring_forward(department=department, at=night(0))
    undo_log(log=entry, by=technician, at=night(0), key="taken back")
    bring_forward(department=department, at=night(1))
    log_case(case=case, lines=[Opened(line, 5)], by=technician, at=night(1), key="told again")

    bring_forward(department=department, at=night(2))

    assert tallied() == {(line, "", 5): 1.0}
    assert Stratum.objects.get(room=None).cases == pytest.approx(1.0)
    assert Stratum.objects.get(room=room).cases == pytest.approx(1.0)


def test_pieces_of_all_sizes_count_for_the_run_and_each_for_its_size(department, log):
    run = SizeRunFactory()
    small, large = (ConsumableFactory(size_run=run, size_position=n) for n in (1, 2))
    case = log(DAY, {small: 1, large: 1})

    bring_forward(department=department, at=night(0))

    assert tallied() == {(run, "", 2): 1.0}
    assert {(s.case_type, s.size_class, s.consumable): s.pieces for s in SplitTally.objects.all()} == {
        (case.case_type, case.size_class, small): pytest.approx(1.0),
        (case.case_type, case.size_class, large): pytest.approx(1.0),
    }


def test_a_correction_after_the_night_replaces_what_was_tallied(department, log):
    syringe = ConsumableFactory()
    case = log(DAY, {syringe: 5})
    bring_forward(department=department, at=night(0))
    UsageRecord.objects.create(department=department, case=case, consumable=syringe, used=-2)

    bring_forward(department=department, at=night(1))

    assert tallied() == {(syringe, "", 3): 1.0}
    assert Stratum.objects.get(room=None).cases == pytest.approx(1.0)


def test_a_line_that_goes_by_room_and_day_adds_up_over_the_cases_of_the_day(department, log, room):
    tape = ConsumableFactory(basis=Basis.PER_ROOM_DAY)
    log(DAY, {tape: 1})
    log(DAY, {tape: 1})
    bring_forward(department=department, at=night(0))
    log(DAY, {tape: 1}, at=night(1))

    bring_forward(department=department, at=night(1))

    assert tallied() == {(tape, "", 3): 1.0}
    assert Stratum.objects.get(room=room).cases == pytest.approx(1.0)


def test_the_set_up_standard_of_a_case_type_overrules_the_catalogue_on_rooms(department, log, case_type):
    tape = ConsumableFactory(basis=Basis.PER_ROOM_DAY)
    SetupStandard.objects.create(case_type=case_type, consumable=tape, basis=Basis.PER_CASE)
    log(DAY, {tape: 1})

    bring_forward(department=department, at=night(0))

    assert [t.stratum.room for t in QuantityTally.objects.select_related("stratum")] == [None]


def test_a_half_life_later_an_old_case_counts_half_of_a_new_one(department, log):
    Policy.objects.create(department=department, half_life_days=10)
    syringe = ConsumableFactory()
    log(DAY, {syringe: 1})
    log(DAY + timedelta(days=10), {syringe: 2})

    bring_forward(department=department, at=night(10))

    assert tallied() == {(syringe, "", 1): 1.0, (syringe, "", 2): 2.0}


def test_a_new_half_life_starts_the_tallies_again(department, log):
    log(DAY, {ConsumableFactory(): 1})
    log(DAY + timedelta(days=10), {ConsumableFactory(): 1})
    bring_forward(department=department, at=night(10))
    Policy.objects.update_or_create(department=department, defaults={"half_life_days": 10})

    bring_forward(department=department, at=night(11))

    assert Stratum.objects.get(room=None).cases == pytest.approx(1.0 + 2.0)


def test_a_record_that_turns_up_behind_the_last_one_read_is_not_lost(department, log):
    syringe = ConsumableFactory()
    first, late = log(DAY, {}), log(DAY, {})
    UsageRecord.objects.create(pk=1010, department=department, case=first, consumable=syringe, used=1)
    bring_forward(department=department, at=night(0))
    UsageRecord.objects.create(pk=1001, department=department, case=late, consumable=syringe, used=3)

    bring_forward(department=department, at=night(1))

    assert tallied() == {(syringe, "", 1): 1.0, (syringe, "", 3): 1.0}


def test_night_after_night_equals_one_recount(department, log, room):
    """Twelve nights with late logs, corrections and extras, against a recount that shares no code with it."""
    rng = random.Random(7)
    run = SizeRunFactory()
    lines = [ConsumableFactory(), ConsumableFactory(basis=Basis.PER_ROOM_DAY)]
    lines += [ConsumableFactory(size_run=run, size_position=n) for n in range(3)]
    extra, other_room = ExtraFactory(), RoomFactory()
    cases = []
    for n in range(12):
        for _ in range(3):
            day = DAY + timedelta(days=max(0, n - rng.choice([0, 0, 3])))
            pieces = {line: rng.randint(1, 4) for line in rng.sample(lines, 3)}
            extras = [extra] if rng.random() < 0.3 else []
            cases.append(log(day, pieces, at=night(n), extras=extras, where=rng.choice([room, other_room])))
        corrected = rng.choice(cases)
        UsageRecord.objects.create(
            department=department, case=corrected, consumable=rng.choice(lines), used=rng.choice([1, 2])
        )
        bring_forward(department=department, at=night(n))

    learning = Learning.objects.get()
    expected, days = Counter(), defaultdict(Counter)
    for case in cases:
        weight = 2.0 ** ((case.date - learning.landmark).days / learning.half_life_days)
        used = Counter()
        for record in case.usage.all():
            used[record.consumable] += record.used
        extras = ",".join(str(e.pk) for e in case.extras.all())
        expected[lines[0], extras, used[lines[0]]] += weight
        expected[run, extras, sum(used[line] for line in lines[2:])] += weight
        days[case.room, case.date, weight][lines[1]] += used[lines[1]]
    for (_, _, weight), used in days.items():
        expected[lines[1], "", used[lines[1]]] += weight

    found = Counter()
    for t in QuantityTally.objects.all():
        found[t.size_run or t.consumable, t.stratum.extras, t.quantity] += t.weight
    wanted = {key: weight for key, weight in expected.items() if key[2] > 0}
    assert {key: weight for key, weight in found.items() if weight > 1e-9} == pytest.approx(wanted)


@pytest.fixture
def stocked(cart, technician):
    """A consumable of which the cart holds three pieces."""
    consumable = ConsumableFactory()
    StockingLineFactory(place=cart, consumable=consumable, par=3)
    ledger.count(place=cart, consumable=consumable, counted=3, by=technician, at=night(0), key="first")
    return consumable


@pytest.fixture
def take(department, log, technician):
    """take(case, place, consumable, pieces) moves them off the place and records that the case used them."""
    keys = count()

    def taken(case, place, consumable, pieces):
        of = {"place": place, "consumable": consumable, "by": technician, "at": night(0), "key": f"use {next(keys)}"}
        movement = ledger.use(quantity=pieces, **of)
        return UsageRecord.objects.create(
            department=department, case=case, consumable=consumable, used=pieces, movement=movement
        )

    return taken


def cut_off() -> list[tuple[int, bool]]:
    rows = QuantityTally.objects.order_by("quantity").values_list("quantity", "cut_off", "weight")
    return [(pieces, cut) for pieces, cut, weight in rows if weight > 1e-9]


def test_a_use_that_empties_the_cart_means_at_least_so_many(department, log, cart, stocked, take):
    take(log(DAY, {}), cart, stocked, 1)
    take(log(DAY, {}), cart, stocked, 2)

    bring_forward(department=department, at=night(0))

    assert cut_off() == [(1, False), (2, True)]


def test_a_use_from_a_cart_that_was_empty_on_paper_shows_a_wrong_record_and_is_not_cut_off(
    department, log, cart, stocked, take
):
    take(log(DAY, {}), cart, stocked, 4)
    take(log(DAY, {}), cart, stocked, 1)

    bring_forward(department=department, at=night(0))

    assert cut_off() == [(1, False), (4, True)]


def test_what_was_fetched_elsewhere_after_the_cart_ran_out_ends_the_doubt(
    department, log, cart, storeroom, stocked, take
):
    case = log(DAY, {})
    take(case, cart, stocked, 3)
    bring_forward(department=department, at=night(0))
    before = cut_off()

    take(case, storeroom, stocked, 1)
    bring_forward(department=department, at=night(1))

    assert (before, cut_off()) == ([(3, True)], [(4, False)])


def test_pieces_of_several_lots_are_one_use(department, log, cart, take, technician):
    consumable = ConsumableFactory()
    for lot in (LotFactory(consumable=consumable), LotFactory(consumable=consumable)):
        of = {"place": cart, "consumable": consumable, "lot": lot, "by": technician, "at": night(0)}
        ledger.receive(quantity=1, key=f"lot {lot.pk}", **of)

    take(log(DAY, {}), cart, consumable, 3)
    bring_forward(department=department, at=night(0))

    assert cut_off() == [(3, True)]


def test_cut_off_and_opened_unused_night_after_night_equal_one_recount(department, log, cart, technician, take):
    """Nights with use that empties the cart, refills, late records and corrections; then everything is counted anew."""
    rng = random.Random(11)
    lines = [ConsumableFactory(), ConsumableFactory(basis=Basis.PER_ROOM_DAY)]
    cases = []
    for n in range(8):
        for line in lines:
            of = {"place": cart, "consumable": line, "by": technician, "at": night(n)}
            ledger.receive(quantity=rng.randint(1, 5), key=f"refill {n} {line.pk}", **of)
        cases += [log(DAY + timedelta(days=n), {}, at=night(n)) for _ in range(3)]
        for case in rng.sample(cases, 3):
            take(case, cart, rng.choice(lines), rng.randint(1, 3))
        unused = rng.choice(cases)
        UsageRecord.objects.create(department=department, case=unused, consumable=lines[0], used=0, opened_unused=1)
        bring_forward(department=department, at=night(n))

    def everything():
        tallies = QuantityTally.objects.values_list("stratum__case_type", "consumable", "quantity", "cut_off", "weight")
        opened = OpenedTally.objects.values_list("case_type", "consumable", "opened", "unused", "cases")
        found = {tuple(key): weight for *key, weight in tallies if abs(weight) > 1e-9}
        return found, {(case_type, consumable): of for case_type, consumable, *of in opened}

    tallies, opened = everything()
    assert any(cut for *_, cut in tallies)
    assert any(unused for _, unused, _ in opened.values())
    bring_forward(department=department, at=night(8), rebuild=True)
    again = everything()

    assert tallies == pytest.approx(again[0])
    assert {key: pytest.approx(pieces) for key, pieces in opened.items()} == again[1]


def test_cases_that_opened_a_line_are_counted_once_each_whatever_sizes_they_opened_and_when_it_was_logged(
    department, log, case_type
):
    run = SizeRunFactory()
    small, large = (ConsumableFactory(size_run=run, size_position=n) for n in range(2))
    cases = [log(DAY, {small: 1}), log(DAY, {large: 1}), log(DAY, {small: 1, large: 1})]
    bring_forward(department=department, at=night(0))
    record = {"department": department, "opened_unused": 0}
    UsageRecord.objects.create(case=cases[1], consumable=small, used=1, **record)
    UsageRecord.objects.create(case=cases[2], consumable=small, used=-1, **record)
    UsageRecord.objects.create(case=cases[0], consumable=small, used=-1, **record)
    UsageRecord.objects.create(case=cases[2], consumable=large, used=0, **record | {"opened_unused": 1})
    bring_forward(department=department, at=night(0))

    [wasted] = opened_unused(department, Setups(department), day=DAY).wasted()

    assert wasted.line == ("run", run.pk)
    assert wasted.cases == pytest.approx(2)  # the second and the third; the first was taken back


def test_what_was_opened_unused_is_kept_by_line_and_case_type(department, log, case_type):
    mask = ConsumableFactory()
    case = log(DAY, {mask: 3})
    UsageRecord.objects.create(department=department, case=case, consumable=mask, used=0, opened_unused=1)
    bring_forward(department=department, at=night(0))

    found = opened_unused(department, Setups(department), day=DAY)

    [wasted] = found.wasted()
    assert (wasted.line, wasted.case_type_id) == (("piece", mask.pk), case_type.pk)
    assert (wasted.cases, wasted.opened, wasted.unused) == pytest.approx((1.0, 4.0, 1.0))
    assert wasted.low < wasted.share == found.share(wasted.line, case_type.pk) < wasted.high
    assert found.share(("piece", ConsumableFactory().pk), case_type.pk) == pytest.approx(0.05)


def test_a_second_night_reads_only_what_is_new(department, log, django_assert_max_num_queries):
    for n in range(30):
        log(DAY + timedelta(days=n), {ConsumableFactory(): 1})
    bring_forward(department=department, at=night(30))

    with django_assert_max_num_queries(35):
        bring_forward(department=department, at=night(31))


@pytest.mark.django_db(transaction=True)
def test_two_first_nights_at_once_count_a_case_once(department, log):
    log(DAY, {ConsumableFactory(): 1})
    start = threading.Barrier(2)

    def first_night(_):
        start.wait(timeout=30)
        try:
            return bring_forward(department=Department.objects.get(), at=night(0)).through_record
        finally:
            connections.close_all()

    with ThreadPoolExecutor(2) as pool:
        first, second = pool.map(first_night, range(2))

    assert first == second
    assert Stratum.objects.get(room=None).cases == pytest.approx(1)
