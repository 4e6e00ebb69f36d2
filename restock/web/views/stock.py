"""The way to everything that happens to stock between the supplier and the case."""

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render


def stock(request: HttpRequest) -> HttpResponse:
    """The hub: its entries come with the frame of every stock page."""
    return render(request, "stock/hub.html")
