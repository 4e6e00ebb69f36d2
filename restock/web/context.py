"""What every page's frame shows: the department, its day, and the pages that the user's role opens."""

from django.core.exceptions import PermissionDenied
from django.http import HttpRequest
from django.urls import reverse
from django.utils.translation import gettext_lazy as _

from .access import allows
from .current import current_department, today
from .stock_pages import entries, stock_routes
from .workstations import is_shared

# Each page of the navigation with the pages that belong under it.
PAGES = (
    ("log", _("Log a case"), {"log", "log-rooms", "log-room", "log-case", "log-add-case", "log-need", "log-need-line"}),
    ("round", _("Round"), {"round", "walk", "fill-cart", "round-sheet", "pick-list-back", "moves"}),
    ("tonight", _("Plan"), {"tonight", "line"}),
    ("turnovers", _("Turnover"), {"turnovers", "turnover"}),
    ("carts", _("Carts"), {"carts", "cart", "storeroom"}),
    ("rooms-ahead", _("Rooms"), {"rooms-ahead", "room-ahead"}),
    ("shortages", _("Shortages"), {"shortages", "shortage", "act-on-shortage"}),
    ("stock", _("Stock"), stock_routes()),
    ("par-advice", _("Advice"), {"par-advice", "cart-twins", "what-if", "unused", "accuracy"}),
    (
        "setup",
        _("Set-up"),
        {
            "setup",
            "setup-list",
            "setup-row",
            "par-sheets",
            "par-sheet",
            "add-par-row",
            "sheets",
            "sheet-headings",
            "sheet-apply",
            "people",
            "add-person",
            "person",
        },
    ),
)


def frame(request: HttpRequest) -> dict:
    """Context of `base.html`; empty for who has not signed in or has no department."""
    user = getattr(request, "user", None)
    if user is None or not user.is_authenticated:
        return {}
    try:
        department, day = current_department(request), today(request)
    except PermissionDenied:
        return {}
    here = request.resolver_match.view_name if request.resolver_match else ""
    nav = [
        {"url": reverse(name), "label": label, "current": here in under}
        for name, label, under in PAGES
        if allows(name, user)
    ]
    return {
        "department": department,
        "day": day,
        "nav": nav,
        "stock_nav": entries(user, here) if here in stock_routes() else [],
        "may_search": allows("search", user),
        "shared": is_shared(request),
    }
