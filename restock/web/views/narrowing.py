"""From the choices above a list to the address of the list with these choices."""

from __future__ import annotations

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect
from django.urls import Resolver404, resolve, reverse
from django.utils.translation import gettext as _
from django.views.decorators.debug import sensitive_post_parameters
from django.views.decorators.http import require_POST

from ..wristbands import NOT_IN_AN_ADDRESS, without_scans


@sensitive_post_parameters("words", "q")
@require_POST
def narrow(request: HttpRequest) -> HttpResponse:
    """Show a list narrowed. The forms above lists post, so that a scan in their box never stands in an address."""
    chosen = request.POST.copy()
    chosen.pop("csrfmiddlewaretoken", None)
    page = chosen.pop("page", [""])[0]
    try:
        resolve(page)
    except Resolver404:
        page = reverse("home")
    kept = without_scans(chosen)
    if kept != chosen:
        messages.warning(request, _(NOT_IN_AN_ADDRESS))
    return redirect(f"{page}?{kept.urlencode()}")
