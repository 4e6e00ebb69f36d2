"""Which lines a day's minutes of counting go to."""

from dataclasses import replace

import pytest

from restock.forecasting.count_order import CountWeights, Ranked, Record, Records, choose, rank

USUAL = CountWeights()
PLAIN = Record(place=1, on_record=5, par=10, likely_off=0.0, days_counted=9.0, days_moved=1.0)


def ranked(weights=USUAL, **changes) -> Ranked:
    return rank(Records.of([replace(PLAIN, **changes)]), weights)[0]


def score(**changes):
    return ranked(**changes).score


def test_a_line_that_was_just_counted_is_not_asked_for_however_dear_and_vital_it_is():
    assert score(days_counted=0.0, never_out=True, value=900.0, use_drifts=True) == 0


@pytest.mark.parametrize(
    "doubtful",
    [
        {"likely_off": 3.0},
        {"days_counted": 40.0},
        {"days_counted": None},
        {"never_out": True},
        {"value": 80.0},
        {"use_drifts": True},
        {"days_counted": 70.0, "days_moved": None},
    ],
)
def test_doubt_and_what_a_wrong_record_costs_raise_a_line(doubtful):
    assert score(**doubtful) > score()


def test_a_record_below_zero_comes_before_the_most_doubtful_and_dearest_line():
    worst = score(likely_off=99.0, days_counted=None, days_moved=None, never_out=True, value=9e9, use_drifts=True)

    assert score(on_record=-1, days_counted=1.0) > worst


@pytest.mark.parametrize(
    ("record", "first"),
    [
        ({"on_record": -2, "found_wrong": True}, "below_zero"),
        ({"found_wrong": True, "days_counted": 0.0}, "found_wrong"),
        ({"likely_off": 8.0}, "drift"),
        ({"days_counted": 89.0}, "age"),
        ({"days_counted": 61.0, "days_moved": 61.0}, "never_moves"),
        ({"likely_off": 8.0, "never_out": True, "days_counted": 80.0}, "critical"),
    ],
)
def test_the_strongest_reason_is_said_first(record, first):
    assert ranked(**record).reasons[0] == first


def test_a_line_that_never_moves_is_asked_for_again_only_when_its_count_has_aged():
    still = {"days_moved": None, "likely_off": 0.0}

    assert "never_moves" in ranked(days_counted=60.0, **still).reasons
    assert "never_moves" not in ranked(days_counted=59.0, **still).reasons


def chosen(records, **limits):
    records = Records.of(records)
    return choose(records, rank(records).score, **limits)


def test_the_minutes_are_kept_and_spent_on_few_walks():
    # One doubtful line in each of nine places, and nine somewhat less doubtful ones in one place.
    far = [replace(PLAIN, place=n, likely_off=2.0) for n in range(2, 11)]
    near = [replace(PLAIN, place=1, likely_off=1.5)] * 9

    indices = chosen([*far, *near], seconds=300, per_line=30, per_place=60)

    assert sorted(indices) == list(range(9, 17))  # 60 s of walking and eight lines: 300 s


def test_what_is_below_zero_is_counted_even_where_the_minutes_do_not_reach():
    records = [replace(PLAIN, place=n, on_record=-1) for n in range(5)] + [PLAIN]

    assert sorted(chosen(records, seconds=60, per_line=30, per_place=60)) == [0, 1, 2, 3, 4]


def test_a_weight_of_zero_takes_a_reason_out():
    weights = CountWeights(age=0.0, never_moves=0.0)

    assert ranked(weights, days_counted=None, days_moved=None).score == 0


def test_a_record_comes_out_of_many_as_it_went_in():
    records = [PLAIN, replace(PLAIN, days_counted=None, days_moved=None, never_out=True, value=3.5)]

    assert [Records.of(records)[n] for n in range(2)] == records
