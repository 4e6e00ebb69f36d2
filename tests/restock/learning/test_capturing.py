"""Pieces gone by count beside pieces logged, and what follows for the forecast."""

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

import pytest

from inventory import ledger
from restock.cases.setups import Setups
from restock.forecasting import demand
from restock.learning.capturing import gone_between_counts
from restock.learning.fits import Captured, Fitted, read_fitted
from restock.learning.fitting import refit
from restock.learning.tallies import bring_forward, read_tallies
from restock.learning.usage import learn_usage
from restock.models import Fit, SetupStandard, UsageRecord
from tests.factories import CaseFactory, CaseTypeFactory, ConsumableFactory, StockingLineFactory

FIRST = datetime(2026, 3, 1, 6, tzinfo=UTC)
NOW = datetime(2026, 3, 20, 18, tzinfo=UTC)


def later(hours):
    return FIRST + timedelta(hours=hours)


@pytest.fixture
def counted(cart, tube, technician):
    """counted(pieces, hours) counts the tubes of the cart so many hours after the first count, which finds ten."""
    StockingLineFactory(place=cart, consumable=tube, par=10)

    def count(pieces, hours):
        at = later(hours)
        ledger.count(place=cart, consumable=tube, counted=pieces, by=technician, at=at, key=f"count {hours}")

    count(10, 0)
    return count


def use(cart, tube, pieces, hours, by):
    return ledger.use(place=cart, consumable=tube, quantity=pieces, by=by, at=later(hours), key=f"use {hours}")


def found(department):
    [(_, captured)] = gone_between_counts(department, at=NOW).items()
    return captured


def test_what_left_a_cart_without_being_logged_shows_between_two_counts(
    department, cart, tube, storeroom, counted, technician
):
    """10 counted, 6 brought, 1 thrown away, 8 counted: 7 are gone, and 5 of them were logged."""
    ledger.receive(place=storeroom, consumable=tube, quantity=6, by=technician, at=FIRST, key="delivery")
    use(cart, tube, 5, 2, technician)
    ledger.move(source=storeroom, destination=cart, consumable=tube, quantity=6, by=technician, at=later(3), key="m")
    ledger.discard(place=cart, consumable=tube, quantity=1, by=technician, at=later(4), key="d", reason="torn")
    counted(8, 5)

    assert found(department) == Captured(spans=1, gone=7, logged=5)


def test_use_outside_the_counts_and_use_that_was_taken_back_are_no_evidence(
    department, cart, tube, counted, technician
):
    mistaken = use(cart, tube, 3, 1, technician)
    ledger.reverse(movement=mistaken, by=technician, at=later(2), key="undo", reason="wrong cart")
    counted(10, 5)
    use(cart, tube, 4, 6, technician)

    assert found(department) == Captured(spans=1, gone=0, logged=0)


def test_use_that_was_logged_too_late_to_move_stock_is_logged_all_the_same(department, cart, room, tube, counted):
    counted(7, 24)
    case = CaseFactory(date=FIRST.date(), room=room, order=1, starts_at=later(4).time())
    UsageRecord.objects.create(department=department, case=case, consumable=tube, used=3)

    assert found(department) == Captured(spans=1, gone=3, logged=3)


@pytest.mark.parametrize(
    ("captured", "corrected"),
    [
        (Captured(spans=8, gone=200, logged=160), True),
        (Captured(spans=8, gone=200, logged=199), False),
        (Captured(spans=2, gone=200, logged=160), False),
        (Captured(spans=8, gone=10, logged=6), False),
    ],
)
def test_a_log_is_put_right_only_where_counts_leave_no_doubt(captured, corrected):
    assert (captured.kappa < 1.0) == corrected


def test_a_log_that_misses_pieces_is_learned_from_as_if_they_had_been_logged(department, room, tube, cart):
    """Thirty cases that used five each, of which each piece was logged with probability 0.8: binomial shares."""
    StockingLineFactory(place=cart, consumable=tube)
    case_type = CaseTypeFactory()
    SetupStandard.objects.create(case_type=case_type, consumable=tube, quantity=5)
    for n, logged in enumerate([5] * 10 + [4] * 12 + [3] * 6 + [2] * 2):
        day = date(2026, 3, 1) + timedelta(days=n % 15)
        case = CaseFactory(date=day, room=room, order=n + 1, case_type=case_type, status="done", logged_at=NOW)
        UsageRecord.objects.create(department=department, case=case, consumable=tube, used=logged)
    bring_forward(department=department, at=NOW)
    tallies = read_tallies(department, NOW.date())

    def mean(captured):
        fitted = Fitted(captured={tube.pk: captured} if captured else {})
        [slot] = tallies.slots.values()
        usage = learn_usage(Setups(department), replace(tallies, fitted=fitted), [])
        return demand.mean(usage.consumable_pmfs(slot, [tube.pk]))[0]

    assert mean(None) == pytest.approx(4.0, abs=0.15)
    assert mean(Captured(spans=8, gone=400, logged=320)) == pytest.approx(5.0, abs=0.3)


def test_a_refit_stores_what_it_found_and_from_what(department, cart, tube, counted, technician):
    use(cart, tube, 3, 1, technician)
    counted(6, 5)
    bring_forward(department=department, at=NOW)

    fit = refit(department=department, at=NOW)

    assert (fit.fitted_at, fit.records, fit.evenings) == (NOW, 0, 0)
    assert read_fitted(department).captured == {tube.pk: Captured(spans=1, gone=4, logged=3)}
    rate = fit.capture_rates.get()
    assert 0 < rate.low < rate.mean < rate.high < 1


def test_stored_weights_teach_what_the_search_would(department, cart, room):
    case_types = [CaseTypeFactory(), CaseTypeFactory()]
    lines = [ConsumableFactory() for _ in range(3)]
    for n in range(24):
        case = CaseFactory(
            date=date(2026, 3, 1), room=room, order=n + 1, case_type=case_types[n % 2], status="done", logged_at=NOW
        )
        for k, line in enumerate(lines):
            UsageRecord.objects.create(department=department, case=case, consumable=line, used=1 + (n * (k + 1)) % 4)
    bring_forward(department=department, at=NOW)
    refit(department=department, at=NOW)
    setups, tallies = Setups(department), read_tallies(department, department.local_date(NOW))
    codes = [line.pk for line in lines]
    assert tallies.fitted.weights

    stored = learn_usage(setups, tallies, [])
    searched = learn_usage(setups, replace(tallies, fitted=Fitted()), [])

    for slot in tallies.slots.values():
        assert stored.consumable_pmfs(slot, codes) == pytest.approx(searched.consumable_pmfs(slot, codes), abs=1e-9)


def test_what_another_version_of_the_method_fitted_is_not_used(department, counted):
    counted(8, 5)
    bring_forward(department=department, at=NOW)
    refit(department=department, at=NOW)
    assert read_fitted(department).captured

    Fit.objects.update(method="an-older-one")

    assert read_fitted(department) == Fitted()
