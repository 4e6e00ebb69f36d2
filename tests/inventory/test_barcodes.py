"""Check digits: examples and verdicts from the GS1 syntax dictionary's own tests
(github.com/gs1/gs1-syntax-dictionary, src/lint_csum.c)."""

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from inventory.barcodes import NotAGtin, check_digit, normal_gtin


@pytest.mark.parametrize("digits", ["02345673", "416000336108", "1234567890128", "12345678901231"])
def test_item_number_with_a_fitting_check_digit_is_accepted(digits):
    assert normal_gtin(digits) == digits.rjust(14, "0")


@pytest.mark.parametrize("digits", ["12345673", "416000336109", "1234567890129", "12345678901232"])
def test_item_number_with_a_wrong_check_digit_is_refused(digits):
    with pytest.raises(NotAGtin, match="does not fit"):
        normal_gtin(digits)


def test_check_digit_rule_holds_for_a_shipping_unit_of_eighteen_digits():
    assert check_digit("12345678901234567") == "5"


def test_same_pack_is_found_at_every_length_it_is_scanned_in():
    assert normal_gtin("416000336108") == normal_gtin("0416000336108") == normal_gtin("00416000336108")


@pytest.mark.parametrize("digits", ["", "1234567", "123456789012345675", "0234567٣", "+A99912345", "1234567.0"])
def test_what_is_not_an_item_number_is_refused(digits):
    with pytest.raises(NotAGtin):
        normal_gtin(digits)


@given(
    body=st.text("0123456789", min_size=13, max_size=13),
    place=st.integers(0, 12),
    digit=st.sampled_from("0123456789"),
)
def test_any_single_mistyped_digit_is_noticed(body, place, digit):
    assume(body[place] != digit)
    mistyped = body[:place] + digit + body[place + 1 :]

    with pytest.raises(NotAGtin):
        normal_gtin(mistyped + check_digit(body))
