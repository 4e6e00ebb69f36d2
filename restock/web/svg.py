"""The few SVG shapes that the charts are made of.

Shapes hold numbers and the site's own class names only, so they are put together without escaping, which
would cost most of the time of a page of a hundred level bars. Words go through `text`, which escapes.
"""

from collections.abc import Iterable

from django.utils.html import format_html
from django.utils.safestring import SafeString

HATCH_GAP = 4


def rect(css_class: str, left: float, top: float, right: float, bottom: float) -> SafeString:
    """A filled rectangle, or nothing if it has no width."""
    if right <= left:
        return SafeString("")
    return SafeString(
        f'<rect class="{css_class}" x="{left:.1f}" y="{top:.1f}" '
        f'width="{right - left:.1f}" height="{bottom - top:.1f}"/>'
    )


def path(css_class: str, outline: str) -> SafeString:
    """A path, or nothing if its outline is empty. `outline` is made of numbers, as `line` makes it."""
    return SafeString(f'<path class="{css_class}" d="{outline}"/>' if outline else "")


def line(x1: float, y1: float, x2: float, y2: float) -> str:
    """The outline of one straight stroke."""
    return f"M{x1:.1f} {y1:.1f}L{x2:.1f} {y2:.1f}"


def text(css_class: str, x: float, y: float, anchor: str, words: str) -> SafeString:
    """Words at a point; `anchor` is start, middle or end."""
    return format_html(
        '<text class="{}" x="{}" y="{}" text-anchor="{}">{}</text>',
        css_class,
        f"{x:.1f}",
        f"{y:.1f}",
        anchor,
        words,
    )


def hatched(left: float, top: float, right: float, bottom: float) -> SafeString:
    """An outlined rectangle filled with strokes at 45 degrees, each clipped to it."""
    strokes = ""
    # Points of one stroke share x + y; counting from a multiple of the gap keeps neighbours in step.
    total = (int((left + top) / HATCH_GAP) + 1) * HATCH_GAP
    while total < right + bottom:
        start, end = max(left, total - bottom), min(right, total - top)
        strokes += line(start, total - start, end, total - end)
        total += HATCH_GAP
    outline = f"M{left:.1f} {top:.1f}H{right:.1f}V{bottom:.1f}H{left:.1f}z"
    return path("hatch-edge", outline) + path("hatch-lines", strokes)


def joined(shapes: Iterable[SafeString]) -> SafeString:
    """Shapes one after another, the later ones on top."""
    return SafeString("".join(shapes))
