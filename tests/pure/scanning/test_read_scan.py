"""What a scan says, against the standards' own examples (standards_examples.csv names the source of each)."""

import csv
from datetime import date
from pathlib import Path

import pytest
from biip.gs1_element_strings import GS1ElementString
from hypothesis import given
from hypothesis import strategies as st

from inventory.barcodes import check_digit
from inventory.scanning import (
    OwnLabel,
    PersonCode,
    Scan,
    Unreadable,
    holds_a_person,
    is_item_number,
    looks_scanned,
    read_scan,
    words,
)
from inventory.scanning.hibc import check_character
from inventory.scanning.labels import bin_label_text, lot_label_text
from tests.person_codes import PERSON_CODES, TRACES

TODAY = date(2026, 3, 4)
ITEM = "12345678901231"

with (Path(__file__).parent / "standards_examples.csv").open(newline="") as file:
    EXAMPLES = list(csv.DictReader(file))


def told(scan: Scan) -> tuple:
    lot = scan.lot or ("?" + scan.possible_lots[0] if scan.possible_lots else "")
    expires_on = scan.expires_on.isoformat() if scan.expires_on else ""
    return scan.item or "", lot, expires_on, str(scan.packs or "")


@pytest.mark.parametrize("row", EXAMPLES, ids=lambda row: f"{row['standard']} {row['text']}")
def test_example_of_a_standard_is_read_warned_of_or_refused_as_it_says(row):
    expected = (row["item"], row["lot"], row["expires_on"], row["packs"])
    outcome = row["outcome"]
    if not any(expected):
        with pytest.raises(PersonCode if outcome == "PERSON" else Unreadable) as refused:
            read_scan(row["text"], today=TODAY)
        assert str(refused.value) == getattr(words, outcome)
        return

    scan = read_scan(row["text"], today=TODAY)

    assert told(scan) == expected
    assert scan.warnings == (() if outcome == "read" else (getattr(words, outcome),))


@pytest.mark.parametrize("separator", ["\x1d", "<GS>", "{GS}", "[FNC1]", "^]", "␝", "|", "~", "\\x1d"])
def test_separator_is_understood_however_the_scanner_sends_it(separator):
    scan = read_scan(f"]C101{ITEM}10LOT7{separator}21SER9", today=TODAY)

    assert (scan.lot, scan.warnings) == ("LOT7", ())


class TestStrippedSeparator:
    """FNC1 lost on the way, which parsers take for a longer lot: `LOT721SER9`."""

    def test_lot_is_not_given_but_asked_for(self):
        scan = read_scan(f"01{ITEM}1727010110LOT721SER9", today=TODAY)

        assert scan.lot is None
        assert scan.possible_lots == ("LOT721SER9", "LOT7")
        assert scan.warnings == (words.LOT_IN_DOUBT,)

    @pytest.mark.parametrize("tail", ["17270630", "11240630", "1124063017270630", "240REF7", "3010"])
    def test_date_count_or_number_in_a_lot_is_noticed(self, tail):
        scan = read_scan(f"01{ITEM}10LOT7{tail}", today=TODAY)

        assert scan.lot is None
        assert scan.possible_lots[0] == "LOT7" + tail
        assert "LOT7" in scan.possible_lots

    def test_value_longer_than_its_element_is_refused(self):
        with pytest.raises(Unreadable, match="separator"):
            read_scan(f"01{ITEM}10LOT7LOT7LOT721SERIAL12345", today=TODAY)

    @pytest.mark.parametrize("lot", ["LOT7", "A2021", "17X", "219", "B1799"])
    def test_lot_that_can_mean_one_thing_only_is_taken(self, lot):
        assert read_scan(f"01{ITEM}1727010110{lot}", today=TODAY).lot == lot

    def test_lot_is_certain_where_the_scanner_sends_separators_or_brackets(self):
        for text in (f"01{ITEM}10LOT721SER9\x1d", f"(01){ITEM}(10)LOT721SER9", f"https://a/01/{ITEM}/10/LOT721SER9"):
            assert read_scan(text, today=TODAY).lot == "LOT721SER9"


class TestCheck:
    @given(st.text("0123456789", min_size=13, max_size=13), st.integers(0, 12), st.integers(1, 9))
    def test_any_wrong_digit_of_a_scanned_item_is_noticed(self, body, place, more):
        wrong = body[:place] + str((int(body[place]) + more) % 10) + body[place + 1 :]

        with pytest.raises(Unreadable, match="check digit"):
            read_scan(f"01{wrong}{check_digit(body)}17270101", today=TODAY)

    # From the standard's table of characters; the sample of barcodefaq.com/udi/hibc ends so.
    def test_hibc_character_is_the_remainder_by_43(self):
        assert check_character("+A123BJC5D6E71") == "G"

    def test_hibc_character_may_be_a_space_that_a_field_has_cut_off(self):
        code = next(f"+A99{n:04}0" for n in range(9999) if check_character(f"+A99{n:04}0") == " ")

        assert read_scan(code + " ", today=TODAY) == read_scan(code, today=TODAY) == Scan(item=code)


class TestHibcDates:
    """The forms of the secondary code, as the HIBC standard's examples are repeated in public parsers' tests:
    month 09 and year 2005, or 28 September 2005, hour 22, lot 3C001, quantities 24 and 100."""

    @pytest.mark.parametrize(
        ("field", "expires_on", "pieces"),
        [
            ("052713C001", date(2005, 9, 28), None),
            ("$$09053C001", date(2005, 9, 30), None),
            ("$$20928053C001", date(2005, 9, 28), None),
            ("$$30509283C001", date(2005, 9, 28), None),
            ("$$4050928223C001", date(2005, 9, 28), None),
            ("$$5052713C001", date(2005, 9, 28), None),
            ("$$605271223C001", date(2005, 9, 28), None),
            ("$$73C001", None, None),
            ("$$82409053C001", date(2005, 9, 30), 24),
            ("$$90010020928053C001", date(2005, 9, 28), 100),
            ("$3C001", None, None),
        ],
    )
    def test_every_form_of_the_date_is_read(self, field, expires_on, pieces):
        body = f"+Z999009993020351/{field}"
        scan = read_scan(body + check_character(body), today=TODAY)

        assert scan == Scan("+Z999009993020351", "3C001", expires_on, pieces)

    def test_secondary_code_alone_waits_for_its_item(self):
        body = "+$$09053C001L"
        scan = read_scan(body + check_character(body), today=TODAY)

        assert scan == Scan(lot="3C001", expires_on=date(2005, 9, 30))

    @pytest.mark.parametrize("field", ["$$5052713C001/S0001", "$$+505271SERIAL", "$$5052713C001/S0001/16D20050101"])
    def test_serial_number_is_dropped(self, field):
        body = f"+Z999009993020351/{field}"

        assert "0001" not in repr(read_scan(body + check_character(body), today=TODAY))
        assert "SERIAL" not in repr(read_scan(body + check_character(body), today=TODAY))


def test_two_codes_of_one_pack_are_joined_and_of_two_packs_are_not():
    first = read_scan(ITEM, today=TODAY)
    second = read_scan("1727010110LOT7", today=TODAY)

    assert first.joined(second) == second.joined(first) == Scan(ITEM, "LOT7", date(2027, 1, 1))
    with pytest.raises(Unreadable, match="one pack"):
        first.joined(second).joined(read_scan("10LOT8", today=TODAY))


@given(st.dates(date(2000, 1, 1), date(2099, 12, 31)))
def test_century_is_chosen_as_biip_chooses_it(day):
    """biip 5.2 reads the machine's clock; ours is given the same day."""
    theirs = GS1ElementString.parse(f"17{day:%y%m%d}").date

    assert read_scan(f"(01){ITEM}(17){day:%y%m%d}", today=date.today()).expires_on == theirs


@pytest.mark.parametrize("form", PERSON_CODES)
def test_code_about_a_person_is_refused_whole_and_unrepeated(form):
    with pytest.raises(PersonCode) as refused:
        read_scan(PERSON_CODES[form], today=TODAY)

    said = str(refused.value)
    assert not [trace for trace in TRACES if trace in said]
    assert refused.value.__cause__ is None
    assert refused.value.__context__ is None or refused.value.__suppress_context__


@given(st.text(max_size=80))
def test_any_text_at_all_is_read_or_refused_in_words_that_do_not_repeat_it(text):
    said = ""
    try:
        read_scan(text, today=TODAY)
    except (PersonCode, Unreadable) as refused:
        said = str(refused)

    assert not said or said in vars(words).values()


class TestOwnLabel:
    def test_of_a_bin_and_of_a_lot_come_back_as_printed(self):
        in_bin = bin_label_text(line="ETT/7.0 µ", place="CART-1", bin="D 2")
        of_lot = lot_label_text(line="IV-START", lot="B-20260304", expires_on=date(2026, 9, 30))

        assert read_scan(in_bin, today=TODAY).label == OwnLabel("ETT/7.0 µ", "CART-1", "D 2")
        assert read_scan("]d291" + of_lot, today=TODAY) == Scan(
            lot="B-20260304", expires_on=date(2026, 9, 30), label=OwnLabel("IV-START")
        )

    @pytest.mark.parametrize("text", ["EVENFILL:BIN:", "EVENFILL:BIN:A/B", "EVENFILL:LOT:A/B/soon"])
    def test_of_another_make_is_refused(self, text):
        with pytest.raises(Unreadable, match="Print it again"):
            read_scan(text, today=TODAY)


@pytest.mark.parametrize("before", ["", "91", "]d291", "(91)", "\x1d91"])
def test_own_label_is_read_however_a_scanner_sends_its_identifier(before):
    text = bin_label_text(line="BR01", place="OR-01 cart", bin="1 machine")

    assert read_scan(before + text, today=TODAY).label == OwnLabel("BR01", place="OR-01 cart", bin="1 machine")


@pytest.mark.parametrize("text", ["7250", "72534", "7253", "7258A11", f"(01){ITEM}(10)LOT7", "", "4471203", "8018"])
def test_numbers_of_lots_seals_and_orders_are_nobody(text):
    assert not holds_a_person(text)


def test_separator_that_a_scanner_sends_first_is_skipped():
    assert read_scan(f"\x1d01{ITEM}10LOT7", today=TODAY).lot == "LOT7"
    with pytest.raises(PersonCode):
        read_scan(f"\x1d{PERSON_CODES['recipient']}", today=TODAY)


@pytest.mark.parametrize("text", [*PERSON_CODES.values(), "4471203", ITEM, "+A99912345", "smith 12345"])
def test_what_could_be_a_scan_or_a_number_of_somebody_is_told_from_words(text):
    assert looks_scanned(text)


@pytest.mark.parametrize("text", ["tube 7.0", "ETT-7.0", "20 G pink", "OR-12", "", "10 mL", "8.5 + 11.5"])
def test_words_and_short_codes_are_words(text):
    assert not looks_scanned(text)


def test_item_number_is_one_only_in_the_form_that_a_scan_gives():
    assert is_item_number(ITEM)
    assert is_item_number("+A99912345")
    assert not is_item_number("416000336108")
    assert not is_item_number("4471203")
