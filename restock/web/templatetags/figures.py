"""Shares as people count them: of a hundred."""

from django import template
from django.utils.formats import number_format

register = template.Library()


@register.filter
def hundred(share: float) -> str:
    """0.948 is "94.8", 0.02 is "2"."""
    return number_format(round(100 * share, 1), decimal_pos=0 if abs(100 * share - round(100 * share)) < 0.05 else 1)


@register.filter
def points(gap: float) -> str:
    """A difference of shares with its sign, of a hundred: -0.012 is "−1.2", 0 is "0.0"."""
    rounded = round(100 * gap, 1)
    sign = "+" if rounded > 0 else "−" if rounded < 0 else ""
    return sign + number_format(abs(rounded), decimal_pos=1)
