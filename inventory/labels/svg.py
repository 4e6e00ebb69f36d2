"""Pages of labels as SVG, for a page that a browser prints. Sizes are attributes: a strict policy allows no styles."""

from __future__ import annotations

from xml.sax.saxutils import escape

from .layout import POINT_MM, Page


def as_svg(page: Page, *, description: str) -> str:
    """One page as an SVG of its true size, in millimetres."""
    bars = "".join(f"M{x:.3f} {y:.3f}h{width:.3f}v{height:.3f}h-{width:.3f}z" for x, y, width, height in page.bars)
    words = "".join(
        f'<text x="{line.x:.2f}" y="{line.y:.2f}" font-size="{line.size_pt * POINT_MM:.3f}" '
        f'font-weight="{700 if line.bold else 400}">{escape(line.text)}</text>'
        for line in page.words
    )
    return (
        f'<svg class="label-page" xmlns="http://www.w3.org/2000/svg" role="img" width="{page.width:g}mm" '
        f'height="{page.height:g}mm" viewBox="0 0 {page.width:g} {page.height:g}" font-family="Helvetica, Arial, '
        f'Liberation Sans, sans-serif" fill="#000"><title>{escape(description)}</title>'
        f'<path shape-rendering="crispEdges" d="{bars}"/>{words}</svg>'
    )
