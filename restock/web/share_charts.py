"""Charts of shares of a hundred with the range that chance leaves open, drawn on the server as inline SVG.

As in `charts`, classes of `evenfill.css` carry the strokes, every function is pure, and each drawing has a text
alternative that says the same. Words are in the active language.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from textwrap import shorten
from typing import Protocol

from django.utils.html import format_html
from django.utils.safestring import SafeString
from django.utils.translation import gettext as _

from restock.forecasting.scoring import Estimate

from . import svg

WIDTH, HEIGHT = 440, 240
LEFT, RIGHT, TOP, BOTTOM = 48, 432, 14, 190
ROW_LEFT, ROW_HEIGHT, NAME_LETTERS = 12, 48, 60
EVEN = 0.1  # the share of each of ten tenths


class Share(Protocol):
    """A share from 0 to 1 with the range that chance leaves open, 95 times of 100."""

    share: float
    low: float
    high: float


def tenths_chart(tenths: Sequence[Share]) -> SafeString:
    """Draw the share of use in each tenth of the forecast beside the line at which each would lie if it is right."""
    top = max([share.high for share in tenths] + [2 * EVEN])
    step = (RIGHT - LEFT) / len(tenths)
    height = _heights(top)
    shapes = [_percent_axis(top, height), svg.path("chart-base", svg.line(LEFT, BOTTOM, RIGHT, BOTTOM))]
    for n, share in enumerate(tenths):
        left, right = LEFT + step * (n + 0.12), LEFT + step * (n + 0.88)
        shapes.append(svg.rect("level-band", left, height(share.share), right, BOTTOM))
        shapes.append(_whisker((left + right) / 2, height(share.low), height(share.high)))
        shapes.append(svg.text("chart-figure", (left + right) / 2, BOTTOM + 17, "middle", str(n + 1)))
    even = height(EVEN)
    shapes.append(svg.path("mark-target", svg.line(LEFT, even, RIGHT, even)))
    title = _("tenth of the forecast, lowest use first")
    shapes.append(svg.text("chart-title", (LEFT + RIGHT) / 2, HEIGHT - 10, "middle", title))
    return _drawing(
        f"{_('Days of 100 on which use fell into each tenth of the forecast.')} {tenths_words(tenths)}", shapes
    )


def tenths_words(tenths: Sequence[Share]) -> str:
    """Say what the shape means, going by the tenths that chance alone does not explain."""
    lowest, highest = tenths[0], tenths[-1]
    if lowest.low > EVEN and highest.low > EVEN:
        return _("Use lies at both ends too often: the ranges are too narrow, and too little is planned for bad days.")
    if highest.low > EVEN:
        return _("Use lies in the highest tenth too often: more is used than was forecast.")
    if lowest.low > EVEN:
        return _("Use lies in the lowest tenth too often: less is used than was forecast, and too much is carried.")
    if lowest.high < EVEN and highest.high < EVEN:
        return _("Use lies at the ends too seldom: the ranges are wider than they need be, and too much is carried.")
    if highest.high < EVEN:
        return _("Use lies in the highest tenth too seldom: somewhat more is planned than is needed.")
    if lowest.high < EVEN:
        return _("Use lies in the lowest tenth too seldom: quiet days are quieter in the forecast than here.")
    return _("Neither end stands out from chance.")


def before_after_chart(rows: Sequence[tuple[str, Estimate, Estimate]]) -> SafeString:
    """Draw (name, before, after) one below the other: before hollow, after filled, each with its range."""
    if not rows:
        return SafeString("")
    bottom = TOP + ROW_HEIGHT * len(rows)
    top = max(max(before.high, after.high) for _name, before, after in rows)
    every = _round_percent(top)

    def across(share: float) -> float:
        return ROW_LEFT + share / top * (RIGHT - ROW_LEFT)

    shapes = []
    for percent in range(0, int(100 * top) + 1, every):
        shapes.append(svg.path("chart-grid", svg.line(across(percent / 100), TOP, across(percent / 100), bottom)))
        shapes.append(svg.text("chart-figure", across(percent / 100), bottom + 17, "middle", str(percent)))
    for n, (name, before, after) in enumerate(rows):
        y = TOP + ROW_HEIGHT * n
        shapes.append(svg.text("chart-figure", ROW_LEFT, y + 14, "start", shorten(name, NAME_LETTERS, placeholder="…")))
        shapes += _ranged(across, before, y + 25, "demand-open")
        shapes += _ranged(across, after, y + 37, "demand-covered")
    title = _("pieces unused, of 100 opened: before hollow, after filled")
    shapes.append(svg.text("chart-title", (LEFT + RIGHT) / 2, bottom + 38, "middle", title))
    words = "; ".join(
        _("%(name)s: before %(before)d of 100, after %(after)d")
        % {"name": name, "before": round(100 * before.value), "after": round(100 * after.value)}
        for name, before, after in rows
    )
    return _drawing(words, shapes, bottom + 46)


def _ranged(across: Callable[[float], float], found: Estimate, y: float, css_class: str) -> list[SafeString]:
    middle = across(found.value)
    stroke = svg.path("level-tail", svg.line(across(found.low), y, across(found.high), y))
    return [stroke, svg.rect(css_class, middle - 4, y - 4, middle + 4, y + 4)]


def _drawing(words: str, shapes: Sequence[SafeString], height: int = HEIGHT) -> SafeString:
    return format_html(
        '<svg class="demand-chart" role="img" aria-label="{}" viewBox="0 0 {} {}">{}</svg>',
        words,
        WIDTH,
        height,
        svg.joined(shapes),
    )


def _heights(top: float) -> Callable[[float], float]:
    return lambda share: BOTTOM - share / top * (BOTTOM - TOP)


def _whisker(x: float, low: float, high: float) -> SafeString:
    ends = svg.line(x - 4, low, x + 4, low) + svg.line(x - 4, high, x + 4, high)
    return svg.path("level-tail", svg.line(x, low, x, high) + ends)


def _percent_axis(top: float, height: Callable[[float], float]) -> SafeString:
    """Grid lines at round shares of a hundred."""
    every = _round_percent(top)
    shapes = [
        format_html(
            '<text class="chart-title" transform="translate(12 {}) rotate(-90)" text-anchor="middle">{}</text>',
            (TOP + BOTTOM) // 2,
            _("of 100"),
        )
    ]
    for percent in range(0, int(100 * top) + 1, every):
        if percent:
            shapes.append(svg.path("chart-grid", svg.line(LEFT, height(percent / 100), RIGHT, height(percent / 100))))
        shapes.append(svg.text("chart-figure", LEFT - 6, height(percent / 100) + 4.5, "end", str(percent)))
    return svg.joined(shapes)


def _round_percent(top: float) -> int:
    """Steps of a scale up to `top`, of a hundred."""
    return next(step for step in (1, 2, 5, 10, 20, 25) if 100 * top / step <= 6)
