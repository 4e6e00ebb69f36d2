"""Instants on a page stand in the department's own time."""

from __future__ import annotations

from collections.abc import Callable

from django.core.exceptions import PermissionDenied
from django.http import HttpRequest, HttpResponse
from django.utils import timezone

from .current import current_department


class LocalTimeMiddleware:
    """Answer in the time zone of the user's department; in the site's own where there is none."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        with timezone.override(_zone(request)):
            return self.get_response(request)


def _zone(request: HttpRequest):
    if not request.user.is_authenticated:
        return None
    try:
        return current_department(request).zone
    except PermissionDenied:
        return None
