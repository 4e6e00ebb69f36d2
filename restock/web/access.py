"""Who may do what: every route of the site has its rule here, and a route without a rule is closed to everybody.

People get a role by being in the Django group of that name. A superuser counts as a supervisor.
"""

from __future__ import annotations

from collections.abc import Callable
from urllib.parse import urlsplit

from django.contrib import messages
from django.contrib.auth.views import redirect_to_login
from django.core.exceptions import PermissionDenied
from django.http import HttpRequest, HttpResponse
from django.urls import reverse
from django.utils.translation import gettext as _
from django_htmx.http import HttpResponseClientRefresh

from restock.setting_up.departments import ROLES

ANY_ROLE = frozenset(ROLES)
CLINICIAN, TECHNICIAN, SUPERVISOR = ROLES

# Standings that are no roles: anybody at all, anybody who has signed in, and who looks after the whole site.
ANYBODY, SIGNED_IN, ADMINISTRATOR = "anybody", "signed in", "administrator"

RESTOCKING = frozenset({TECHNICIAN, SUPERVISOR})
RULES: dict[str, frozenset[str]] = {
    "sign-in": frozenset({ANYBODY}),
    "sign-out": frozenset({SIGNED_IN}),
    # At a shared workstation, whose session may have ended; it opens to nobody without a full sign-in there that day.
    "come-back": frozenset({ANYBODY}),
    "account": frozenset({SIGNED_IN}),
    "password": frozenset({SIGNED_IN}),
    "home": frozenset({SIGNED_IN}),
    # Sets a cookie of this browser and nothing else.
    "set-language": frozenset({ANYBODY}),
    # A worker and a manifest hold nothing but names of files, and are fetched before anybody signs in again.
    "service-worker": frozenset({ANYBODY}),
    "manifest": frozenset({ANYBODY}),
    "log": ANY_ROLE,
    "log-rooms": ANY_ROLE,
    "log-room": ANY_ROLE,
    "log-add-case": ANY_ROLE,
    "log-added": ANY_ROLE,
    "log-added-case": ANY_ROLE,
    "log-need": ANY_ROLE,
    "log-need-line": ANY_ROLE,
    "log-borrow": ANY_ROLE,
    "log-case": ANY_ROLE,
    "log-find-line": ANY_ROLE,
    "log-undo": ANY_ROLE,
    "log-lines": ANY_ROLE,
    "log-set-ups": ANY_ROLE,
    "log-token": ANY_ROLE,
    "tonight": ANY_ROLE,
    "carts": ANY_ROLE,
    "cart": ANY_ROLE,
    "storeroom": ANY_ROLE,
    "line": ANY_ROLE,
    "shortages": ANY_ROLE,
    "shortage": ANY_ROLE,
    "rooms-ahead": ANY_ROLE,
    "room-ahead": ANY_ROLE,
    **dict.fromkeys(
        (
            "work-out-cover",
            "work",
            "act-on-shortage",
            "undo-action",
            "par-advice",
            "work-out-pars",
            "work-out-accuracy",
            "answer-pars",
            "reopen-par",
            "reopen-pars",
            "cart-twins",
            "what-if",
            "unused",
            "accuracy",
        ),
        frozenset({SUPERVISOR}),
    ),
    "plan-evening": RESTOCKING,
    "pick-list": RESTOCKING,
    **dict.fromkeys(
        (
            "round",
            "take-carts",
            "give-cart-back",
            "take-cart-over",
            "hand-cart-over",
            "round-sheet",
            "pick-list-back",
            "walk",
            "save-stop",
            "fill-cart",
            "save-drawer",
            "count-here",
            "moves",
            "record-moved",
            "undo-moved",
        ),
        RESTOCKING,
    ),
    **dict.fromkeys(
        (
            "counts",
            "start-count",
            "count-round",
            "count-scan",
            "add-to-count",
            "finish-count",
            "count-results",
            "counts-report",
            "count-print",
            "count-sheet",
            "count-sheet-back",
            "save-count",
            "count-again",
            "count-cause",
        ),
        RESTOCKING,
    ),
    "stock": ANY_ROLE,
    **dict.fromkeys(
        (
            "orders",
            "work-out-orders",
            "order-new",
            "order-policies",
            "order-policy",
            "order",
            "order-packs",
            "order-add",
            "order-place",
            "order-drop",
            "close-order",
            "order-print",
            "order-sheet",
            "order-sheet-back",
            "reopen-order-line",
            "back-order",
        ),
        frozenset({SUPERVISOR}),
    ),
    **dict.fromkeys(
        (
            "receiving",
            "receive",
            "receive-scan",
            "receive-typed",
            "receive-record",
            "answer-packs",
            "delivery-sheet",
            "delivery-sheet-back",
            "undo-receipt",
        ),
        RESTOCKING,
    ),
    **dict.fromkeys(
        (
            "bundles",
            "make-up",
            "make-up-sheet",
            "make-up-sheet-back",
            "bundle-lot",
            "take-assembly-back",
            "expiry",
            "pull-list",
            "pull-act",
            "pull-take-back",
            "pull-count",
            "pull-sheet",
            "pull-workbook",
            "pull-workbook-back",
            "read-dates",
        ),
        RESTOCKING,
    ),
    "scan": ANY_ROLE,
    **dict.fromkeys(("labels", "labels-print", "labels-pdf"), RESTOCKING),
    "scan-pack": frozenset({SUPERVISOR}),
    **dict.fromkeys(
        ("recalls", "recall", "recall-report", "recall-report-workbook", "recall-sheet", "lots", "lot"), ANY_ROLE
    ),
    **dict.fromkeys(("seals", "seal-cart", "seal-open", "seal-broken", "seal-sheet", "cart-guidance"), ANY_ROLE),
    **dict.fromkeys(("substitutions", "substitutions-sheet", "substitution-end"), ANY_ROLE),
    **dict.fromkeys(("substitution-new", "stand-in-sheet", "stand-in-sheet-back"), RESTOCKING),
    "substitution-agree": frozenset({CLINICIAN}),
    **dict.fromkeys(("seal-seen", "seal-check", "seal-close", "seal-sheet-back"), RESTOCKING),
    **dict.fromkeys(("keep-sealed", "keep-open", "choose-guidance"), frozenset({SUPERVISOR})),
    **dict.fromkeys(
        ("recall-answer", "recall-scan-place", "recall-name-place", "recall-sheet-back", "put-aside"), RESTOCKING
    ),
    **dict.fromkeys(("recall-new", "recall-close", "recall-withdraw", "let-back"), frozenset({SUPERVISOR})),
    "search": ANY_ROLE,
    "narrow": ANY_ROLE,
    "item": ANY_ROLE,
    **dict.fromkeys(
        (
            "setup",
            "setup-list",
            "setup-row",
            "setup-remove",
            "people",
            "add-person",
            "person",
            "give-password",
            "par-sheets",
            "par-sheet",
            "add-par-row",
            "sheets",
            "sheet-headings",
            "sheet-apply",
            "sheet-forget",
        ),
        frozenset({SUPERVISOR}),
    ),
    "turnovers": ANY_ROLE,
    "turnover": ANY_ROLE,
    # One rule for the whole admin site, which knows no departments: it shows those of everybody.
    "admin:": frozenset({ADMINISTRATOR}),
}


def group_names(user) -> frozenset[str]:
    """The names of the user's groups, read once for each user object."""
    if not hasattr(user, "_group_names"):
        user._group_names = frozenset(user.groups.values_list("name", flat=True))
    return user._group_names


def standings(user) -> frozenset[str]:
    """What the user counts as: `ANYBODY`, `SIGNED_IN`, the user's roles, and `ADMINISTRATOR` for a superuser."""
    if not user.is_authenticated:
        return frozenset({ANYBODY})
    held = ANY_ROLE & group_names(user)
    if user.is_superuser:
        held |= {SUPERVISOR, ADMINISTRATOR}
    return held | {ANYBODY, SIGNED_IN}


def rule_for(view_name: str) -> frozenset[str]:
    """Who may use the route: its own rule, or that of its namespace, or nobody."""
    namespace = view_name.partition(":")[0] + ":" if ":" in view_name else None
    return RULES.get(view_name) or RULES.get(namespace) or frozenset()


def allows(view_name: str, user) -> bool:
    """Whether the rule of the route lets this user in."""
    return bool(rule_for(view_name) & standings(user))


SAFE = ("GET", "HEAD", "OPTIONS")


def _page_that_sent(request: HttpRequest) -> str:
    """The page of this site whose form was sent: an address that only takes forms is none to come back to."""
    came_from = urlsplit(request.headers.get("Referer", ""))
    if came_from.netloc != request.get_host():
        return reverse("home")
    return came_from.path + (f"?{came_from.query}" if came_from.query else "")


class AccessMiddleware:
    """Hold every request to the rule of its route before its view runs."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        return self.get_response(request)

    def process_view(self, request: HttpRequest, view, args, kwargs) -> HttpResponse | None:
        view_name = request.resolver_match.view_name
        if allows(view_name, request.user):
            return None
        if not request.user.is_authenticated:
            if request.htmx:  # which would put the sign-in page into the middle of the one that is open
                return HttpResponseClientRefresh()
            if request.method in SAFE:
                return redirect_to_login(request.get_full_path())
            # A phone's outbox, which asks for JSON, keeps what it sends until it is recorded.
            if request.get_preferred_type(["text/html", "application/json"]) == "text/html":
                messages.warning(request, _("You were signed out: what you sent was not kept. Sign in, send it again."))
            return redirect_to_login(_page_that_sent(request))
        if not standings(request.user) & ANY_ROLE:
            raise PermissionDenied(_("Your account has no role yet: clinician, technician or supervisor."))
        raise PermissionDenied(_("Your role does not include this."))
