"""No address is a dead end: one that only takes forms leads to the page above it when it is opened by hand."""

from __future__ import annotations

from collections.abc import Callable

from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect
from django.urls import Resolver404, resolve

NOT_ALLOWED = 405


class PageAboveMiddleware:
    """Send a browser that opens the address of a form to the nearest page above it; that of "/a/b/act/" is "/a/b/"."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        response = self.get_response(request)
        by_hand = request.method == "GET" and request.accepts("text/html") and not request.htmx
        if response.status_code == NOT_ALLOWED and by_hand:
            return redirect(_above(request.path))
        return response


def _above(path: str) -> str:
    """The nearest address above that the site has. If it takes forms only as well, it leads on in its turn."""
    while path != "/":
        path = path.rstrip("/").rpartition("/")[0] + "/"
        try:
            resolve(path)
        except Resolver404:
            continue
        return path
    return path
