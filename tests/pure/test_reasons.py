"""The sentence beside a number says what the number rests on."""

import pytest

from restock.reasons import enough_for, how_many_short, pieces, times_in, why, why_short

LINE = {
    "cases": 4, "mean": 5.2, "q_service": 8, "service_level": 0.99, "on_hand": 3, "usable": 3, "par": 4, "floor": 0,
    "capacity": 20, "target": 8, "top_up": 5, "allocated": 5, "has_log": True, "widened": False,
}  # fmt: skip


def sentence(**changes) -> str:
    return str(why(**(LINE | changes)))


def test_a_line_that_gets_all_it_needs_says_so_in_one_sentence():
    assert sentence() == "4 cases that day use 5.2 on average, 8 covers 99 of 100 such days; 3 on hand; 5 to add."


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"allocated": 2}, "5 needed, 2 to be had"),
        ({"allocated": 0}, "5 needed, none to be had"),
        ({"top_up": 0, "allocated": 0}, "nothing to add"),
        ({"cases": 1}, "1 case that day uses 5.2 on average"),
        ({"cases": 0}, "No listed case is likely to use it"),
        ({"on_hand": -2}, "recorded -2, please count"),
        ({"on_hand": 5}, "5 on hand, 2 of them out of date or set aside"),
        ({"par": 10, "target": 10}, "; par 10;"),
        ({"floor": 12, "target": 12}, "; never below 12;"),
        ({"capacity": 6, "target": 6}, "; the bin holds 6;"),
        ({"has_log": False}, "from the set-up standard, no log yet"),
        ({"widened": True}, "its kind ran short more often than was forecast"),
        ({"sealed": True}, "Kept under a seal as its content list says, 8; 3 on hand; 5 to add; to add them the seal"),
        ({"sealed": True, "top_up": 0, "allocated": 0}, "content list says, 8; 3 on hand; nothing to add."),
    ],
)
def test_what_is_particular_about_a_line_is_said(changes, said):
    assert said in sentence(**changes)


@pytest.mark.parametrize(
    ("share", "words"), [(0.95, "19 of 20"), (0.995, "199 of 200"), (0.9, "9 of 10"), (0.9876, "98.76 of 100")]
)
def test_a_service_level_is_said_as_days(share, words):
    assert str(times_in(share)) == words


@pytest.mark.parametrize(
    ("n", "words"), [(65.2, "65"), (5.0, "5"), (2.44, "2.4"), (0.04, "0.04"), (0.001, "under 0.01")]
)
def test_an_average_has_as_many_digits_as_mean_something(n, words):
    assert str(pieces(n)) == words


def test_a_shortage_names_what_can_be_done():
    shared = {"short_by": 3, "asked": 9, "in_store": 6, "unusable": 2, "capacity": 4, "wanted": 5, "given": 2}

    assert str(why_short(cause="pharmacy", **shared)).endswith("ask for 3.")
    low = str(why_short(cause="storeroom_low", **shared))
    assert "The storerooms have 6 and 9 were asked for in all; this cart gets 2 of 5." in low
    assert "no other asks" in str(why_short(cause="storeroom_low", **shared | {"wanted": 9, "given": 6}))
    assert "The bin holds 4" in str(why_short(cause="bin_too_small", **shared))


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"par": 4, "target": 4}, "Kept at par 4; no listed case is likely to use it; 1 on hand; 3 to add."),
        (
            {"par": 2, "floor": 4, "target": 4},
            "Kept at no less than 4; no listed case is likely to use it; 1 on hand; 3 to add.",
        ),
    ],
)
def test_a_line_that_only_its_par_asks_for_says_so_without_a_forecast(changes, said):
    kept = {"cases": 0, "mean": 0.1, "q_service": 1, "on_hand": 1, "usable": 1, "top_up": 3, "allocated": 3}

    assert sentence(**kept, **changes) == said


@pytest.mark.parametrize(
    ("p_short", "said"),
    [
        (1.0, "enough for 0 of 100 such days"),
        (0.07, "enough for 93 of 100 such days"),
        (0.0101, "enough for 98 of 100 such days"),
        (0.01, "enough for 990 of 1000 such days"),
        (0.0025, "enough for 997 of 1000 such days"),
        (0.0, "enough for more than 999 of 1000 such days"),
    ],
)
def test_days_that_a_line_lasts_are_never_rounded_up(p_short, said):
    assert str(enough_for(p_short)) == said


@pytest.mark.parametrize(
    ("p_shorts", "said"),
    [
        ([0.2, 0.02, 0.01], "2 lines may run short on more than 1 in 100 such days; 1 is only below what"),
        ([0.2], "1 line may run short on more than 1 in 100 such days."),
        ([0.0, 0.0], "No lines may run short on more than 1 in 100 such days; 2 are only below"),
    ],
)
def test_lines_that_may_run_short_are_counted_apart_from_those_below_par(p_shorts, said):
    assert str(how_many_short(p_shorts)).startswith(said)
