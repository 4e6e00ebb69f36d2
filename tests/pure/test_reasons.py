"""The sentence beside a number says what the number rests on."""

import pytest

from restock.reasons import pieces, times_in, why, why_short

LINE = {
    "cases": 4, "mean": 5.2, "q_service": 8, "service_level": 0.99, "on_hand": 3, "usable": 3, "par": 4, "floor": 0,
    "capacity": 20, "target": 8, "top_up": 5, "allocated": 5, "has_log": True, "widened": False,
}  # fmt: skip


def sentence(**changes) -> str:
    return why(**(LINE | changes))


def test_a_line_that_gets_all_it_needs_says_so_in_one_sentence():
    assert sentence() == "4 cases tomorrow use 5.2 on average, 8 covers 99 of 100 such days; 3 on hand; 5 to add."


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"allocated": 2}, "5 needed, 2 to be had"),
        ({"allocated": 0}, "5 needed, none to be had"),
        ({"top_up": 0, "allocated": 0}, "nothing to add"),
        ({"cases": 1}, "1 case tomorrow uses 5.2 on average"),
        ({"cases": 0}, "No listed case is likely to use it"),
        ({"on_hand": -2}, "recorded -2, please count"),
        ({"on_hand": 5}, "5 on hand, 2 of them out of date or set aside"),
        ({"par": 10, "target": 10}, "; par 10;"),
        ({"floor": 12, "target": 12}, "; never below 12;"),
        ({"capacity": 6, "target": 6}, "; the bin holds 6;"),
        ({"has_log": False}, "from the set-up standard, no log yet"),
        ({"widened": True}, "its kind ran short more often than was forecast"),
    ],
)
def test_what_is_particular_about_a_line_is_said(changes, said):
    assert said in sentence(**changes)


@pytest.mark.parametrize(
    ("share", "words"), [(0.95, "19 of 20"), (0.995, "199 of 200"), (0.9, "9 of 10"), (0.9876, "98.76 of 100")]
)
def test_a_service_level_is_said_as_days(share, words):
    assert times_in(share) == words


@pytest.mark.parametrize(
    ("n", "words"), [(65.2, "65"), (5.0, "5"), (2.44, "2.4"), (0.04, "0.04"), (0.001, "under 0.01")]
)
def test_an_average_has_as_many_digits_as_mean_something(n, words):
    assert pieces(n) == words


def test_a_shortage_names_what_can_be_done():
    shared = {"short_by": 3, "asked": 9, "in_store": 6, "unusable": 2, "capacity": 4}

    assert why_short(cause="pharmacy", **shared).endswith("ask for 3.")
    assert "The storerooms have 6 and 9 were asked for" in why_short(cause="storeroom_low", **shared)
    assert "The bin holds 4" in why_short(cause="bin_too_small", **shared)
