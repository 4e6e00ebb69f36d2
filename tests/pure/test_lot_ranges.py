"""What lies between two lot numbers. No standard says: GS1 AI (10) is free text of up to 20 characters, so the cases
are our own reading of common practice."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from inventory.lot_ranges import NotComparable, lies_between


@pytest.mark.parametrize(
    ("number", "first", "last", "inside"),
    [
        ("24A0100", "24A0090", "24A0110", True),
        ("24A0090", "24A0090", "24A0110", True),
        ("24A0110", "24A0090", "24A0110", True),
        ("24A0111", "24A0090", "24A0110", False),
        ("24a0100", "24A0090", "24A0110", True),  # a label and a letter differ in case
        ("LOT9", "LOT8", "LOT10", True),  # by value, not as text
        ("24B0001", "24A0090", "24C0005", True),
        ("L-77", "24A0090", "24A0110", None),
        ("24AB0100", "24A0090", "24A0110", None),
        ("24A-0100", "24A0090", "24A0110", None),
    ],
)
def test_number_between_two_alike_is_found_and_another_shape_is_left_open(number, first, last, inside):
    assert lies_between(number, first, last) is inside


@pytest.mark.parametrize(("first", "last"), [("24A0090", "L77"), ("24A0110", "24A0090"), ("24A0090", " ")])
def test_ends_that_say_nothing_are_refused(first, last):
    with pytest.raises(NotComparable):
        lies_between("24A0100", first, last)


@given(st.integers(0, 10**9), st.integers(0, 10**9), st.integers(0, 10**9))
def test_plain_numbers_lie_between_as_numbers_do(number, low, high):
    low, high = sorted((low, high))
    assert lies_between(f"X{number}", f"X{low}", f"X{high}") is (low <= number <= high)
