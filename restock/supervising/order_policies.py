"""How storeroom lines are ordered: one line, or many at once."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from django.core.exceptions import ValidationError
from django.db import transaction
from django.utils.translation import gettext as _

from inventory.models import StockingLine

from ..models import OrderPolicy


class PolicyRefused(ValueError):
    """Nothing was changed; the message says for which line, and why."""


@transaction.atomic
def set_policies(lines: Iterable[StockingLine], values: Mapping[str, object]) -> int:
    """Give every line these values and leave its others as they are. All lines or none; returns how many.

    Raises PolicyRefused where a line cannot have them, such as a spread longer than its lead time.
    """
    lines = list(lines)
    known = {one.stocking_line_id: one for one in OrderPolicy.objects.filter(stocking_line__in=lines)}
    for line in lines:
        policy = known.get(line.pk) or OrderPolicy(stocking_line=line)
        for name, value in values.items():
            setattr(policy, name, value)
        try:
            policy.full_clean()
        except ValidationError as error:
            words = {"line": line.consumable.label, "problem": " ".join(error.messages)}
            raise PolicyRefused(_("Nothing was changed. %(line)s: %(problem)s") % words) from None
        policy.save()
    return len(lines)
