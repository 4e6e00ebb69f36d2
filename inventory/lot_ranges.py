"""Whether a lot's number lies between two others, as far as numbers alone can tell. Pure.

No standard orders lot numbers: GS1 and HIBC let a maker write what he likes. So they are compared only where they are
written alike, as runs of digits, letters and other characters in the same order: 24A0090 and 24A0110 are alike, 24A0090
and L-77 are not. Alike numbers are compared run by run from the left, digits by their value and letters by the alphabet
whatever their case. What is not alike is for a person to decide, who has the notice and the pack.
"""

from __future__ import annotations

import re

_RUN = re.compile(r"(?P<digits>\d+)|(?P<letters>[^\W\d_]+)|(?P<other>[\W_]+)")


class NotComparable(ValueError):
    """The two ends of a range do not say what lies between them. `str()` tells the person who typed them.

    pattern: a sentence as catalogues of translations know it; figures: the numbers that belong in it.
    """

    def __init__(self, pattern: str, **figures: str) -> None:
        super().__init__(pattern % figures)
        self.pattern, self.figures = pattern, figures


def gettext_noop(text: str) -> str:
    """Mark a sentence for translation, under the name that makemessages looks for."""
    return text


def shape(number: str) -> tuple[str, ...]:
    """How a number is written: the kinds of its runs, separators as they stand. 24A-0090 is digits, letters, -, digits.

    Runs of letters count with their length, so that A and AB are not alike; digits do not, so that 9 and 10 are.
    """
    return tuple(
        "digits" if run["digits"] else f"{len(run[0])} letters" if run["letters"] else run[0]
        for run in _RUN.finditer(number.strip())
    )


def order(number: str) -> tuple:
    """What alike numbers sort by: digits by value, letters without their case."""
    return tuple(int(run[0]) if run["digits"] else run[0].upper() for run in _RUN.finditer(number.strip()))


def lies_between(number: str, first: str, last: str) -> bool | None:
    """Whether the number is `first`, `last`, or between them; None where it is written too differently to tell.

    Raises NotComparable where the two ends are not alike, or stand the wrong way round.
    """
    if not first.strip() or not last.strip():
        raise NotComparable(gettext_noop("A range of lots needs its first and its last number."))
    if shape(first) != shape(last):
        raise NotComparable(
            gettext_noop(
                "%(first)s and %(last)s are written differently, so what lies between them is anybody's guess. "
                "Name the lots one by one."
            ),
            first=first,
            last=last,
        )
    if order(last) < order(first):
        raise NotComparable(
            gettext_noop("%(last)s comes before %(first)s: write the lower number first."), first=first, last=last
        )
    if shape(number) != shape(first):
        return None
    return order(first) <= order(number) <= order(last)
