"""What a device asks for to work without network: the worker, the catalogue, a fresh token. And where people land."""

from django.http import HttpRequest, HttpResponse, JsonResponse
from django.middleware.csrf import get_token
from django.shortcuts import redirect, render
from django.templatetags.static import static
from django.urls import reverse
from django.utils.text import capfirst
from django.utils.translation import gettext as _
from django.views.decorators.cache import cache_control, never_cache
from django.views.decorators.http import require_safe

from inventory.models import Packaging, SizeRun
from restock.cases.case_setup import expected_of_extras, expected_pieces

from ..access import CLINICIAN, SUPERVISOR, TECHNICIAN, standings
from ..current import current_department

# What the page for logging is made of beside its HTML.
KEPT_FILES = (
    "add-case.js",
    "added-case.js",
    "evenfill.css",
    "evenfill-mark.svg",
    "borrowing.js",
    "case-log.js",
    "catalogue.js",
    "entries.js",
    "outbox.js",
    "scan.js",
    "scan-people.js",
    "steppers.js",
)


@require_safe
def home(request: HttpRequest) -> HttpResponse:
    """Where a person lands after signing in: a clinician at the log, a technician at the round, others at the plan."""
    held = standings(request.user)
    if SUPERVISOR not in held and TECHNICIAN in held:
        return redirect("round")
    return redirect("log" if CLINICIAN in held and SUPERVISOR not in held else "tonight")


@require_safe
@cache_control(no_cache=True)
def service_worker(request: HttpRequest) -> HttpResponse:
    """The worker that keeps the log's pages on the device. It stands at the root because pages and files do."""
    context = {"files": [static(name) for name in KEPT_FILES]}
    return render(request, "log/service-worker.js", context, content_type="text/javascript; charset=utf-8")


@require_safe
def manifest(request: HttpRequest) -> JsonResponse:
    """Lets a phone keep the log on its home screen (W3C Web Application Manifest)."""
    return JsonResponse(
        {
            "name": "Evenfill",
            "short_name": "Evenfill",
            "description": _("Log what a case used."),
            "start_url": reverse("log"),
            "scope": "/",
            "display": "standalone",
            "icons": [{"src": static("evenfill-mark.svg"), "sizes": "any", "type": "image/svg+xml"}],
        },
        content_type="application/manifest+json",
    )


@require_safe
@never_cache
def token(request: HttpRequest) -> JsonResponse:
    """Whose entries this session may send, and the token to send them with. A page kept for days has an old one."""
    return JsonResponse({"user": request.user.pk, "token": get_token(request)})


@require_safe
def lines(request: HttpRequest) -> JsonResponse:
    """The catalogue in short, for finding a line without network."""
    department = current_department(request)
    barcodes: dict[int, list[str]] = {}
    for line, barcode in (
        Packaging.objects.filter(department=department).exclude(barcode="").values_list("consumable", "barcode")
    ):
        barcodes.setdefault(line, []).append(barcode)
    rows = [
        {
            "id": line.pk,
            "code": line.code,
            "label": line.label,
            "section": capfirst(line.get_section_display()),
            "barcodes": barcodes.get(line.pk, []),
            "run": line.size_run_id,
            "size": line.size,
            "position": line.size_position,
        }
        for line in department.consumables.order_by("section", "code")
    ]
    runs = dict(SizeRun.objects.filter(sizes__department=department).values_list("pk", "name"))
    return JsonResponse({"lines": rows, "runs": runs})


@require_safe
def set_ups(request: HttpRequest) -> JsonResponse:
    """What each kind of case is set up with, for logging one that was added without network.

    By case type and then size class: [line, pieces] in set-up order, as `lines` numbers the lines. What a booked extra
    adds, by extra and then size class.
    """
    department = current_department(request)
    return JsonResponse(
        {"set_ups": _nested(expected_pieces(department)), "extras": _nested(expected_of_extras(department))}
    )


def _nested(expected: dict[tuple[int, int], list]) -> dict[int, dict[int, list]]:
    """By the first key, then by the second."""
    nested: dict[int, dict[int, list]] = {}
    for (first, size_class), pieces in expected.items():
        nested.setdefault(first, {})[size_class] = pieces
    return nested
