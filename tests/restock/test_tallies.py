"""The tallies after many nights are what one recount of the whole log would give."""

import random
from collections import Counter, defaultdict
from datetime import UTC, date, datetime, timedelta

import pytest

from inventory.models import Basis
from restock.models import Learning, Policy, QuantityTally, SetupStandard, SplitTally, Stratum, UsageRecord
from restock.tallies import bring_forward
from tests.factories import CaseFactory, CaseTypeFactory, ConsumableFactory, ExtraFactory, RoomFactory, SizeRunFactory

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
    Policy.objects.filter(department=department).update(half_life_days=10)

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


def test_a_second_night_reads_only_what_is_new(department, log, django_assert_max_num_queries):
    for n in range(30):
        log(DAY + timedelta(days=n), {ConsumableFactory(): 1})
    bring_forward(department=department, at=night(30))

    with django_assert_max_num_queries(30):
        bring_forward(department=department, at=night(31))
