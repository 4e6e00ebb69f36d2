"""Primary keys that come with an address or a form: digits that a database's integer can hold, or nothing's key."""

from __future__ import annotations

from collections.abc import Iterable

LONGEST_KEY = 18  # digits; 64 bits hold all numbers of so many


def key_in(text: str | None) -> int:
    """The key that the text is; 0, which nothing has, where it is none."""
    return int(text) if text and text.isdecimal() and len(text) <= LONGEST_KEY else 0


def keys_in(texts: Iterable[str]) -> list[int]:
    """The keys among the texts, in their order."""
    return [key for text in texts if (key := key_in(text))]
