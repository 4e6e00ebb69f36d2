"""Some days everything is used more: found on past evenings, and mixed into tomorrow's demand."""

import random
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

import numpy as np
import pytest
from scipy.stats import betabinom, nbinom

from restock.forecasting import demand
from restock.forecasting.day_effect import NODE_WEIGHTS, centred, tilted_pmfs
from restock.learning.fits import Fitted
from restock.learning.fitting import FEWEST_EVENINGS, REMEMBERED_EVENINGS, find_day_effects
from restock.learning.forecast import forecast_day, kinds_of_case, read_frame, read_known
from restock.learning.replay import read_log
from restock.learning.room_days import RoomDays
from restock.models import SetupStandard, UsageRecord
from tests.factories import CartFactory, CaseFactory, CaseTypeFactory, ConsumableFactory, StockingLineFactory

TOMORROW = date(2026, 3, 5)
SIGMA = 0.3


def forecast_with_effect(department, sigma):
    frame, known = read_frame(department), read_known(department, TOMORROW)
    return forecast_day(frame, replace(known, tallies=replace(known.tallies, fitted=Fitted(day_effect=sigma))))


def enumerated(forecast, consumable, rooms, width=400):
    """Each room by itself: every node of the day, every number of kept and of added cases. Then the rooms together."""
    known = forecast.known
    total = np.eye(1, width)[0]
    for room in rooms:
        slots = [slot for slot in known.slots if slot.room_id == room.pk]
        a, b = known.cancellation.beta(slots[0].case_type_id)
        rate_a, rate_b = known.add_ons.rate[room.pk]
        [pmf] = forecast.usage.consumable_pmfs(slots[0].anywhere, [consumable.pk])
        mixed = np.zeros(width)
        for weight, at_node in zip(NODE_WEIGHTS, tilted_pmfs(centred(pmf, SIGMA), SIGMA), strict=True):
            powers = [np.eye(1, width)[0]]
            for _ in range(12):
                powers.append(np.convolve(powers[-1], at_node)[:width])
            kept = sum(betabinom.pmf(n, len(slots), b, a) * powers[n] for n in range(len(slots) + 1))
            added = sum(nbinom.pmf(n, rate_a, rate_b / (rate_b + 1)) * powers[n] for n in range(12))
            mixed += weight * np.convolve(kept, added)[:width]
        total = np.convolve(total, mixed)[:width]
    return total


@pytest.fixture
def syringe(department):
    return ConsumableFactory(code="SY10")


@pytest.fixture
def list_of(syringe):
    """list_of(room, n) lists n cases that may use some syringes each."""
    case_type = CaseTypeFactory()
    SetupStandard.objects.create(case_type=case_type, consumable=syringe, quantity=3)

    def listed(room, n):
        for order in range(1, n + 1):
            CaseFactory(date=TOMORROW, room=room, order=order, case_type=case_type)

    return listed


def test_cases_of_a_day_that_moves_them_together_are_summed_exactly(department, cart, room, syringe, list_of):
    StockingLineFactory(place=cart, consumable=syringe)
    list_of(room, 3)

    forecast = forecast_with_effect(department, {syringe.pk: SIGMA})

    expected = enumerated(forecast, syringe, [room])[: forecast.pmf.shape[1]]
    assert np.abs(forecast.pmf[0] - expected).max() < 1e-9


def test_rooms_that_share_a_cart_have_days_of_their_own(department, room, syringe, list_of):
    other = CartFactory().room
    shared = CartFactory(room=None, serves=[room, other])
    StockingLineFactory(place=shared, consumable=syringe)
    list_of(room, 2)
    list_of(other, 2)

    forecast = forecast_with_effect(department, {syringe.pk: SIGMA})

    expected = enumerated(forecast, syringe, [room, other])[: forecast.pmf.shape[1]]
    assert np.abs(forecast.pmf[0] - expected).max() < 1e-9


def test_a_line_without_a_day_effect_is_forecast_as_before(department, cart, room, syringe, tube, list_of):
    for consumable in (syringe, tube):
        StockingLineFactory(place=cart, consumable=consumable)
    list_of(room, 3)

    plain, moved = (forecast_with_effect(department, sigma) for sigma in ({}, {tube.pk: SIGMA}))

    at = [line.consumable for line in plain.frame.lines].index(syringe)
    width = plain.pmf.shape[1]
    np.testing.assert_allclose(moved.pmf[at, :width], plain.pmf[at], atol=1e-12)


def test_a_day_effect_spreads_demand_without_raising_its_mean(department, cart, room, syringe, list_of):
    StockingLineFactory(place=cart, consumable=syringe)
    list_of(room, 3)

    plain, moved = (forecast_with_effect(department, sigma).pmf for sigma in ({}, {syringe.pk: SIGMA}))

    assert demand.mean(moved) == pytest.approx(demand.mean(plain), abs=1e-5)
    assert demand.variance(moved) > 1.05 * demand.variance(plain)


@pytest.mark.parametrize("sigma", [0.0, SIGMA])
def test_the_probability_of_what_was_used_is_that_of_the_whole_total(department, cart, room, syringe, list_of, sigma):
    """Of room-days of three cases and of two: convolved case by case and node by node, none cut off."""
    other = CartFactory().room
    StockingLineFactory(place=cart, consumable=syringe)
    for where, cases in ((room, 3), (other, 2)):
        list_of(where, cases)
    frame, known = read_frame(department), read_known(department, TOMORROW)
    usage = forecast_day(frame, known).usage
    pmfs = {kind: usage.consumable_pmfs(kind, [syringe.pk]) for kind in kinds_of_case(known)}
    days = RoomDays(known.slots, known.add_ons, known.cancellation, pmfs, np.array([0]))

    def whole_total(room_id, width=60):
        slots = [slot for slot in known.slots if slot.room_id == room_id]
        a, b = known.cancellation.beta(slots[0].case_type_id)
        rate_a, rate_b = known.add_ons.rate[room_id]
        [pmf] = pmfs[slots[0].anywhere]
        mixed = np.zeros(width)
        for weight, at_node in zip(NODE_WEIGHTS, tilted_pmfs(centred(pmf, sigma), sigma), strict=True):
            powers = [np.eye(1, width)[0]]
            for _ in range(12):
                powers.append(np.convolve(powers[-1], at_node)[:width])
            total = sum(nbinom.pmf(n, rate_a, rate_b / (rate_b + 1)) * powers[n] for n in range(13))
            happens = (b * at_node + a * np.eye(1, len(at_node))[0]) / (a + b)
            for _ in slots:
                total = np.convolve(total, happens)[:width]
            mixed += weight * total
        return mixed

    for used in [(0, 0), (1, 0), (3, 4), (7, 5), (12, 30)]:
        found = days.probability(np.array([sigma]), np.array(used))
        expected = [whole_total(room_id)[pieces] for room_id, pieces in zip(days.rooms, used, strict=True)]
        assert np.abs(found - expected).max() < 1e-9


def past(department, room, syringe, pieces_on):
    """Four cases on each of the last days before tomorrow; `pieces_on(n)` draws what each case of day n used."""
    case_type = CaseTypeFactory()
    for n in range(REMEMBERED_EVENINGS + 4):
        day = TOMORROW - timedelta(days=n + 1)
        for order in range(1, 5):
            at = datetime(day.year, day.month, day.day, 20, tzinfo=UTC)
            case = CaseFactory(date=day, room=room, order=order, case_type=case_type, status="done", logged_at=at)
            UsageRecord.objects.create(department=department, case=case, consumable=syringe, used=pieces_on(n))


def effects(department, before=TOMORROW):
    return find_day_effects(department, read_frame(department), read_log(department, TOMORROW), before=before)


@pytest.mark.parametrize("together", [True, False])
def test_a_day_effect_is_found_where_the_cases_of_a_day_move_together(department, cart, room, syringe, together):
    rng = random.Random(5)
    StockingLineFactory(place=cart, consumable=syringe)
    past(department, room, syringe, lambda n: rng.choice([2, 3, 3, 4]) + (2 * (n % 2) if together else 0))

    found = effects(department)

    assert len(found.days) == REMEMBERED_EVENINGS
    assert (found.sigma.get(syringe.pk, 0.0) > 0.0) == together


def test_too_few_evenings_show_no_day_effect(department, cart, room, syringe):
    StockingLineFactory(place=cart, consumable=syringe)
    past(department, room, syringe, lambda n: 2 if n % 2 else 6)
    first = TOMORROW - timedelta(days=REMEMBERED_EVENINGS + 4)

    assert effects(department, before=first + timedelta(days=FEWEST_EVENINGS - 1)).days == ()
