"""The pages about the life of stock, in the order in which stock lives it, each with what it is for."""

from __future__ import annotations

from typing import NamedTuple

from django.urls import reverse
from django.utils.translation import gettext_lazy as _

from .access import allows


class StockPage(NamedTuple):
    """One entry of the hub and of the sub-navigation. `under`: further routes that belong to it."""

    route: str
    label: str
    purpose: str
    under: frozenset[str] = frozenset()


PAGES: tuple[StockPage, ...] = (
    StockPage("stock", _("All"), _("Everything that happens to stock.")),
    StockPage(
        "scan",
        _("Scan"),
        _("What a pack or a label is, its dates, and where its line is kept."),
        frozenset({"scan-pack"}),
    ),
)


def stock_routes() -> set[str]:
    """Every route that belongs under Stock."""
    return {page.route for page in PAGES}.union(*(page.under for page in PAGES))


def entries(user, here: str = "") -> list[dict]:
    """The pages that this user may open, for the hub and the sub-navigation; `here` is the route that is open."""
    return [
        {
            "url": reverse(page.route),
            "label": page.label,
            "purpose": page.purpose,
            "current": here == page.route or here in page.under,
        }
        for page in PAGES
        if allows(page.route, user)
    ]
