"""A code about a person, scanned into a field that takes no scans: the whole form is refused, and nothing is repeated.

A hand scanner types wherever the cursor stands: an order's number, a seal's, a note, the name at the sign-in. Boxes
that take scans refuse such codes themselves, in their own place on the page.
"""

from __future__ import annotations

import re
from collections.abc import Callable

from django.contrib import messages
from django.forms import BoundField, DateField
from django.forms.renderers import DjangoTemplates
from django.http import HttpRequest, HttpResponse, JsonResponse, QueryDict
from django.shortcuts import redirect
from django.urls import reverse
from django.utils.http import url_has_allowed_host_and_scheme
from django.utils.translation import gettext as _
from django.utils.translation import gettext_noop
from django_htmx.http import HttpResponseClientRefresh

from inventory.models.notes import NUMBER
from inventory.scanning import holds_a_person, looks_scanned, words

from .answers import CONFLICT, from_device
from .form_words import NOT_KEPT

ISO_DATE = re.compile(r"\d{4}-\d{2}-\d{2}")
SCAN_BOXES = frozenset({"scan", "q", "add"})
NUL = "\0"  # PostgreSQL keeps none in a text, and fails on a query that holds one
WORD_BOXES = ("words", "q")  # of lists: what is typed there goes into the address of the list
NOT_IN_AN_ADDRESS = gettext_noop(
    "Left out: a number so long, or a scan, may be about a person and is not kept in an address. "
    "Use words of the name here; the search box at the top takes codes."
)
# RFC 9562, version 4: what a page gives a form so that it counts once. One in some 3,000 begins as a person's code
# does, and nobody types these; one without a letter is taken for a scan.
RANDOM_KEY = re.compile(r"(?=.*[a-f])[0-9a-f]{8}-?[0-9a-f]{4}-?4[0-9a-f]{3}-?[89ab][0-9a-f]{3}-?[0-9a-f]{12}")


class WristbandMiddleware:
    """Stop a form that holds a code about a person before its view sees it, and take scans out of addresses."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        return self.get_response(request)

    def process_view(self, request: HttpRequest, view, args, kwargs) -> HttpResponse | None:
        if request.method == "GET":
            return _without_scan_in_the_address(request)
        if request.method != "POST":
            return None
        if any(NUL in text for _name, texts in request.POST.lists() for text in texts):
            said = str(NOT_KEPT)
        elif any(holds_a_person(text) for text in _typed(request)):
            said = _(words.PERSON)
        else:
            return None
        if from_device(request):
            return JsonResponse({"said": said, "next": _same_page(request)}, status=CONFLICT)
        messages.error(request, said)
        return HttpResponseClientRefresh() if request.htmx else redirect(_same_page(request))


class FieldThatForgets(BoundField):
    """A field that does not show again what was refused in it and may be somebody's number."""

    def value(self) -> object:
        value = super().value()
        if not isinstance(value, str) or not self.form.is_bound or not NUMBER.search(value):
            return value
        if isinstance(self.field, DateField) and ISO_DATE.fullmatch(value):
            return value  # a day that does not fit beside another field
        return "" if self.errors else value


class FormRenderer(DjangoTemplates):
    """Django's own, with fields that forget."""

    bound_field_class = FieldThatForgets


def without_scans(chosen: QueryDict) -> QueryDict:
    """The choices of a list without words that may be a scan or somebody's number."""
    kept = chosen.copy()
    for name in WORD_BOXES:
        if any(looks_scanned(text) for text in chosen.getlist(name)):
            del kept[name]
    return kept


def _without_nul(asked: QueryDict) -> QueryDict:
    kept = asked.copy()
    for name, texts in asked.lists():
        if any(NUL in text for text in texts):
            del kept[name]
    return kept


def _without_scan_in_the_address(request: HttpRequest) -> HttpResponse | None:
    whole = _without_nul(request.GET)
    kept = without_scans(whole)
    if kept == request.GET:
        return None
    messages.warning(request, NOT_KEPT if kept == whole else _(NOT_IN_AN_ADDRESS))
    return redirect(f"{request.path}?{kept.urlencode()}")


def _typed(request: HttpRequest):
    for name, texts in request.POST.lists():
        if name == "key":
            yield from (text for text in texts if not RANDOM_KEY.fullmatch(text))
        elif name not in SCAN_BOXES and name != "csrfmiddlewaretoken" and "password" not in name:
            yield from texts


def _same_page(request: HttpRequest) -> str:
    """The page that the form stands on."""
    came_from = request.META.get("HTTP_REFERER", "")
    if url_has_allowed_host_and_scheme(came_from, {request.get_host()}, require_https=request.is_secure()):
        return came_from
    return reverse("home")
