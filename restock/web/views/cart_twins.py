"""How each cart differs from the standard of its kind."""

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.views.decorators.http import require_safe

from restock.setting_up.twins import FEWEST_CARTS, cart_twins

from ..current import current_department


@require_safe
def twins(request: HttpRequest) -> HttpResponse:
    """Every kind of cart with what its carts have in common, and where one of them differs."""
    kinds = cart_twins(current_department(request))
    return render(request, "advice/twins.html", {"kinds": kinds, "fewest": FEWEST_CARTS})
