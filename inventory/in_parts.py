"""Questions about more rows than one query may name."""

from collections.abc import Iterator, Sequence
from typing import TypeVar

T = TypeVar("T")
MOST_VALUES = 900  # SQLite admits 999 parameters where it was built long ago; a query has some of its own besides


def in_parts(values: Sequence[T]) -> Iterator[Sequence[T]]:
    """The values in parts that one query each may name. `in_bulk` and the bulk writers part by themselves."""
    return (values[start : start + MOST_VALUES] for start in range(0, len(values), MOST_VALUES))
