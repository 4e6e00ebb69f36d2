"""GS1 item numbers (GTIN) as they are printed on packs: check digit and one normal form.

Source: GS1 General Specifications, "Check digit calculations": from the right, digits weigh
3, 1, 3, 1 ... and the check digit brings the sum to a multiple of ten. The rule counts from the
right, so leading zeros do not change it, and a GTIN-8, -12 or -13 padded to 14 digits is the same
number.
"""

GTIN_LENGTHS = (8, 12, 13, 14)


class NotAGtin(ValueError):
    """The digits are not a GS1 item number; the message says why."""


def check_digit(body: str) -> str:
    """The GS1 check digit of a number given without it; any length (GTIN, SSCC).

    Raises ValueError where `body` holds anything but the digits 0 to 9.
    """
    if not (body.isascii() and body.isdigit()):
        raise ValueError("A GS1 number is made of the digits 0 to 9.")
    total = sum(int(digit) * (3 if place % 2 == 0 else 1) for place, digit in enumerate(reversed(body)))
    return str(-total % 10)


def normal_gtin(digits: str) -> str:
    """The 14-digit form of a GTIN-8, -12, -13 or -14, so that one pack is found whichever is scanned.

    Raises NotAGtin for anything but digits, another length, or a check digit that does not fit.
    """
    if not (digits.isascii() and digits.isdigit()):
        raise NotAGtin("A GS1 item number is made of the digits 0 to 9.")
    if len(digits) not in GTIN_LENGTHS:
        raise NotAGtin(f"A GS1 item number has 8, 12, 13 or 14 digits, not {len(digits)}.")
    if check_digit(digits[:-1]) != digits[-1]:
        raise NotAGtin("The last digit does not fit the others: a digit is wrong, missing or swapped.")
    return digits.zfill(14)
