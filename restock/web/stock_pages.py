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
        "orders",
        _("Orders"),
        _("What a storeroom should order and why, what was ordered, and what is late."),
        frozenset({"order", "order-policies", "order-policy", "order-sheet-back"}),
    ),
    StockPage(
        "receiving",
        _("Receive"),
        _("What has come: a scan for every pack, and one press that puts them all on record."),
        frozenset({"receive", "delivery-sheet-back"}),
    ),
    StockPage(
        "scan",
        _("Scan"),
        _("What a pack or a label is, its dates, and where its line is kept."),
        frozenset({"scan-pack"}),
    ),
    StockPage(
        "labels", _("Labels"), _("For bins and made-up bundles, on sheets of labels."), frozenset({"labels-print"})
    ),
    StockPage(
        "counts",
        _("Counts"),
        _("Ten minutes a day where the record is least to be relied on, or a whole cart; and what counts found."),
        frozenset({"count-round", "count-results", "counts-report", "count-print", "count-sheet-back"}),
    ),
    StockPage(
        "expiry",
        _("Expiry"),
        _("What ends soon and where, how much of it is likely to be wasted, and the pull list."),
        frozenset({"pull-list", "pull-sheet", "pull-workbook-back", "read-dates"}),
    ),
    StockPage(
        "bundles",
        _("Bundles"),
        _("What to make up today from which pieces, and what was made up."),
        frozenset({"bundle-lot", "make-up-sheet-back"}),
    ),
    StockPage(
        "seals",
        _("Seals"),
        _("Carts that stay closed until they are needed: seen each day, and checked line by line once opened."),
        frozenset({"seal-cart", "seal-sheet-back", "cart-guidance", "choose-guidance"}),
    ),
    StockPage(
        "recalls",
        _("Recalls"),
        _("A notice, or a drill: every place that may hold the lots is asked, answers and is signed for."),
        frozenset({"recall-new", "recall", "recall-report", "recall-sheet-back", "recall-scan-place"}),
    ),
    StockPage(
        "substitutions",
        _("Stand-ins"),
        _("What may stand in for what is missing, in which way it differs, who agreed, and until when."),
        frozenset({"substitution-new", "stand-in-sheet-back"}),
    ),
    StockPage("lots", _("Lots"), _("Where every piece of a lot went, from the door to the case."), frozenset({"lot"})),
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
