"""Find what a sheet means by a word: a code, or a name, however it is spaced and capitalised."""

from collections.abc import Iterable
from typing import Generic, TypeVar

from inventory.importing.loading import known
from inventory.importing.values import alike

Thing = TypeVar("Thing")


class Lookup(Generic[Thing]):
    """Things with a `code` and a `name`; the code goes before the name, and a name that two things share is none's."""

    def __init__(self, what: str, things: Iterable[Thing]):
        self._what = what
        self._by_code: dict[str, Thing] = {}
        self._by_form: dict[str, Thing | None] = {}
        for thing in things:
            self.add(thing)

    def add(self, thing: Thing) -> None:
        self._by_code[thing.code] = thing
        for form in {alike(thing.code), alike(thing.name)}:
            self._by_form[form] = thing if self._by_form.get(form, thing) is thing else None

    def find(self, word: str) -> Thing | None:
        return self._by_code.get(word) or self._by_form.get(alike(word))

    def expected(self, word: str) -> str:
        """What a problem says was expected instead of an unknown word; the word is not repeated."""
        return known(self._what, word, self._by_code)
