"""The one rule of every box that looks for words: each word stands somewhere in the fields, whatever its case."""

import re
from functools import reduce
from operator import or_

from django.db.models import Q, QuerySet

# Names and sizes are shown with commas between them, and may be typed as they are shown.
_WORD = re.compile(r"[^\s,;]+")


def with_words(rows: QuerySet, typed: str, *fields: str) -> QuerySet:
    """Rows in which every word of `typed` stands in one of the fields; all of them where nothing was typed."""
    for word in _WORD.findall(typed):
        rows = rows.filter(reduce(or_, (Q(**{f"{name}__icontains": word}) for name in fields)))
    return rows
