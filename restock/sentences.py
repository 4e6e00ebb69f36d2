"""Sentences that are worked out in no language and said in the reader's. Pure: what knows languages is handed in.

A sentence is its English pattern, which is also its key in every catalogue, with the figures that belong in it. So the
core can say why without knowing who will read it, and what was stored last night is read in any language tomorrow.
`_` and `ngettext` carry the names by which Django's makemessages finds patterns in the source.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import NamedTuple


class Language(NamedTuple):
    """How patterns are translated (one, and one of two by a number) and how a fraction is written."""

    gettext: Callable[[str], str]
    ngettext: Callable[[str, str, int], str]
    number: Callable[[str], str]


def _either(one: str, many: str, n: int) -> str:
    return one if n == 1 else many


_spoken = Language(str, _either, str)  # English, as written


def speak(language: Language) -> None:
    """Say every sentence through `language` from now on; the site hands in Django's, which asks what is active."""
    global _spoken
    _spoken = language


@dataclass(frozen=True)
class Sentence:
    """A pattern such as "par %(par)s" with its figures: whole numbers, fractions, names, or sentences again.

    many: the pattern for any `n` in the figures but 1, where there are two. `str()` says it in the language of the
    moment.
    """

    pattern: str
    figures: Mapping[str, int | float | str | Sentence] = field(default_factory=dict)
    many: str = ""

    def __bool__(self) -> bool:
        return bool(self.pattern)

    def __str__(self) -> str:
        if self.many:
            pattern = _spoken.ngettext(self.pattern, self.many, self.figures["n"])
        else:
            pattern = _spoken.gettext(self.pattern)
        if not self.figures:
            return pattern
        return pattern % {name: _said(figure) for name, figure in self.figures.items()}

    def to_json(self) -> str:
        """The sentence as text for a store, to be read by `from_json`."""
        return json.dumps(self._parts(), ensure_ascii=False, separators=(",", ":"))

    def _parts(self) -> list:
        figures = {
            name: figure._parts() if isinstance(figure, Sentence) else figure for name, figure in self.figures.items()
        }
        return [self.pattern, figures, self.many] if self.many else [self.pattern, figures]


def from_json(text: str) -> Sentence:
    """What `Sentence.to_json` wrote. Text that it did not write is a sentence without figures, said as it stands."""
    if not text.startswith("["):
        return Sentence(text)
    return _sentence(json.loads(text))


def _sentence(parts: list) -> Sentence:
    pattern, figures, *many = parts
    figures = {name: _sentence(figure) if isinstance(figure, list) else figure for name, figure in figures.items()}
    return Sentence(pattern, figures, *many)


def _(pattern: str, **figures: int | float | str | Sentence) -> Sentence:
    """One pattern with its figures."""
    return Sentence(pattern, figures)


def ngettext(one: str, many: str, *, n: int, **figures: int | float | str | Sentence) -> Sentence:
    """One pattern for a single one, another for any other number `n`."""
    return Sentence(one, {"n": n, **figures}, many)


def joined(*parts: Sentence | None, by: str = "", end: str = "") -> Sentence:
    """The parts that are there, one after the other with `by` between them and `end` behind."""
    there = {f"part{number}": part for number, part in enumerate(filter(None, parts), start=1)}
    return Sentence(by.join(f"%({name})s" for name in there) + end, there)


def _said(figure: int | float | str | Sentence) -> str:
    return _spoken.number(f"{figure:g}") if isinstance(figure, float) else str(figure)
