from datetime import date, datetime, time
from decimal import Decimal

import pytest

from inventory.importing.values import (
    Barcode,
    Choice,
    Clock,
    Code,
    Date,
    Number,
    Probability,
    ShownNumber,
    Text,
    TextList,
    Unfit,
    Whole,
    YesNo,
)


@pytest.mark.parametrize(
    ("type_", "cell", "value"),
    [
        (Code(), "007", "007"),
        (Code(), 7, "7"),
        (Code(), 7.0, "7"),
        (Text(), "  Tube,\n cuffed ", "Tube, cuffed"),
        (Text(), 7.5, "7.5"),
        (Barcode(), "02345673", "02345673"),
        (Barcode(), 1234567890128.0, "1234567890128"),
        (Barcode(), "+A99912345", "+A99912345"),
        (Whole(), "12", 12),
        (Whole(), 3.0, 3),
        (Whole(), "3.0", 3),
        (Number(), 0.1, Decimal("0.1")),
        (Number(), "3.50", Decimal("3.50")),
        (Probability(), 0.25, Decimal("0.25")),
        (Probability(), "1", Decimal(1)),
        (Date(), datetime(2026, 3, 4, 8, 30), date(2026, 3, 4)),
        (Date(), "2026-03-04", date(2026, 3, 4)),
        (Date(), "2026-03-04T08:30:00", date(2026, 3, 4)),
        (Date(order="dmy"), "03/04/2026", date(2026, 4, 3)),
        (Date(order="mdy"), "03/04/2026", date(2026, 3, 4)),
        (Date(order="dmy"), "4.3.2026 08:30", date(2026, 3, 4)),
        (Date(order="dmy"), "2026-03-04", date(2026, 3, 4)),
        (Text(), ShownNumber(7.0, "7.0"), "7.0"),
        (Code(), ShownNumber(7.0, "7.0"), "7"),
        (Whole(), ShownNumber(7.0, "7.0"), 7),
        (Number(), ShownNumber(7.0, "7.00"), Decimal(7)),
        (YesNo(), ShownNumber(1.0, "1.0"), True),
        (Clock(), "8:30", time(8, 30)),
        (Clock(), "0830", time(8, 30)),
        (Clock(), time(8, 30), time(8, 30)),
        (Clock(), datetime(2026, 3, 4, 8, 30), time(8, 30)),
        (YesNo(), "Yes", True),
        (YesNo(), 0, False),
        (YesNo(), True, True),
        (Choice(("never-out", "per room-day")), "Per Room Day", "per room-day"),
        (TextList(), "art line; CVC;;art line ", ("art line", "CVC")),
    ],
)
def test_cell_that_fits_its_type_is_read(type_, cell, value):
    assert type_.read(cell) == value


@pytest.mark.parametrize(
    ("type_", "cell", "expected"),
    [
        (Code(), 1.1, "format the column as text"),
        (Code(), "1.23457E+13", "format the column as text"),
        (Code(), 1234567890123456, "only 15 digits"),
        (Code(), datetime(2026, 3, 1), "turned what was typed into a date"),
        (Code(), "a\tb", "on one line"),
        (Barcode(), 2345673, "zeros in front may have been lost"),
        (Barcode(), "2345673", "zeros in front may have been lost"),
        (Barcode(), 1.2345678901231e17, "only 15 digits"),
        (Barcode(), "1234567890129", "check digit fits: the last digit does not fit"),
        (Whole(), -1, "a whole number from 0"),
        (Whole(), "-1", "a whole number from 0"),
        (Whole(), 1.5, "a whole number from 0"),
        (Whole(), "1,000", "a whole number from 0"),
        (Whole(), True, "a whole number from 0"),
        (Whole(), "9" * 5000, "a whole number from 0"),
        (Number(), "0,5", "a point before the decimals"),
        (Number(), "nan", "a number from 0"),
        (Number(), True, "a number from 0"),
        (Probability(), 25, "not 25%"),
        (Probability(), "25%", "not 25%"),
        (Date(), "2026-02-30", "exists in the calendar"),
        (Date(), "03/04/2026", "one way only"),
        (Date(), "30/11/2026", 'date_order = "dmy"'),
        (Date(), "30/11/2026 08:00", "one way only"),
        (Date(order="dmy"), "11/30/2026", "written day/month/year"),
        (Date(order="dmy"), "30/11/26", "all four digits"),
        (Date(), "46085", "day count"),
        (Date(), 46085, "day count"),
        (Date(), "tomorrow", "2026-03-04"),
        (Date(), datetime(1900, 1, 5), "from 1904"),
        (Date(), "0226-03-04", "check the year"),
        (Clock(), "25:00", "24-hour clock"),
        (Clock(), "8:30 pm", "24-hour clock"),
        (Clock(), 830, "24-hour clock"),
        (YesNo(), "maybe", "yes or no"),
        (Choice(("never-out", "routine")), "urgent", "one of never-out, routine"),
    ],
)
def test_cell_that_does_not_fit_says_what_was_expected(type_, cell, expected):
    with pytest.raises(Unfit, match=expected):
        type_.read(cell)
