"""What may stand in for a line that is missing, wherever people pick or log: one query a page for all its lines."""

from django import template
from django.http import HttpRequest

from inventory.models import Consumable
from restock.models import Substitution
from restock.stock_life.substitutions import active, by_wanted

from ..current import current_department, today

register = template.Library()


@register.inclusion_tag("substitutions/stand_ins.html", takes_context=True)
def stand_ins(context, line: Consumable) -> dict:
    """The cards that hold today for a line; nothing where there is none."""
    return {"cards": _cards(context["request"]).get(line.pk, ())}


def _cards(request: HttpRequest) -> dict[int, list[Substitution]]:
    if not hasattr(request, "_stand_ins"):
        request._stand_ins = by_wanted(active(current_department(request), on=today(request)))
    return request._stand_ins
