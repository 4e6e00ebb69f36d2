"""Find a line by what a person types or a scanner sends."""

from __future__ import annotations

from datetime import date

from django.views.decorators.debug import sensitive_variables

from inventory.models import Consumable, Department
from inventory.scanning import looks_scanned

from .scans import Answer, answer_to
from .word_search import with_words

FOUND_AT_MOST = 30


@sensitive_variables("typed")
def lines_or_refusal(department: Department, typed: str, *, today: date) -> tuple[list[Consumable], Answer]:
    """(lines, what the text is as a scan) for a box that takes both words and scans.

    A scan or a code finds its one line; anything else, lines whose names hold every word. A code about a person finds
    nothing, and its refusal is in the answer.
    """
    typed = typed.strip()
    if not typed:
        return [], Answer()
    answer = answer_to(department, typed, today=today)
    if answer.found:
        return [answer.found.consumable], answer
    if answer.about_a_person or answer.unknown:
        return [], answer
    return lines_with_words(department, typed), answer


@sensitive_variables("typed", "word")
def lines_with_words(department: Department, typed: str) -> list[Consumable]:
    """Lines whose name, size or code holds every word."""
    lines = department.consumables.order_by("section", "code")
    return list(with_words(lines, typed, "name", "size", "code")[:FOUND_AT_MOST])


def may_repeat(typed: str) -> bool:
    """Whether a text may stand on a page or in an address again: not what could be a scan or somebody's number."""
    return not looks_scanned(typed)
