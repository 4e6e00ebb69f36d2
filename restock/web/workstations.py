"""A shared workstation: short sessions, and people who come back with a PIN or a badge after a full sign-in that day.

Whether a device is one is said at the full sign-in and kept in its session. Who may come back stands in a signed
cookie of the device, so a PIN is worth nothing anywhere else, and nothing there on another day.
"""

from __future__ import annotations

from collections.abc import Callable, Collection

from django.conf import settings
from django.contrib.auth import get_user_model
from django.contrib.auth.models import AbstractBaseUser
from django.core import signing
from django.http import HttpRequest, HttpResponse
from django.utils import timezone
from django.utils.crypto import constant_time_compare, salted_hmac

from restock.setting_up.people import departments_of

COOKIE = "workstation"
SALT = "restock.workstation"
SHARED = "shared workstation"
SEEN = "seen at"
SECONDS_BETWEEN_MARKS = 30
MOST_PEOPLE = 30
SECONDS_A_DAY = 24 * 3600


def is_shared(request: HttpRequest) -> bool:
    return bool(request.session.get(SHARED))


def share(request: HttpRequest) -> None:
    """Make the session that of a shared workstation: it ends after a few minutes without a request."""
    request.session[SHARED] = True
    request.session[SEEN] = int(timezone.now().timestamp())
    request.session.set_expiry(settings.SHARED_SESSION_MINUTES * 60)


def people_of(request: HttpRequest) -> list[AbstractBaseUser]:
    """Who signed in fully here today, by name. A changed password or a closed account leaves the list."""
    told = _told(request)
    if not told:
        return []
    users = get_user_model().objects.filter(pk__in=told.keys(), is_active=True).order_by("username")
    here = _marks(users)
    return [user for user, mark in here.items() if constant_time_compare(told[str(user.pk)], mark)]


def remember_person(request: HttpRequest, response: HttpResponse, user: AbstractBaseUser) -> None:
    """Note on the device that this person signed in fully today."""
    others = [one for one in people_of(request) if one.pk != user.pk]
    here = _marks([*others[: MOST_PEOPLE - 1], user])
    response.set_cookie(
        COOKIE,
        signing.dumps({str(one.pk): mark for one, mark in here.items()}, salt=SALT),
        max_age=SECONDS_A_DAY,
        httponly=True,
        samesite="Strict",
        secure=settings.SESSION_COOKIE_SECURE,
    )


def _told(request: HttpRequest) -> dict[str, str]:
    try:
        return signing.loads(request.COOKIES.get(COOKIE, ""), salt=SALT, max_age=SECONDS_A_DAY)
    except signing.BadSignature:
        return {}


def _marks(users: Collection[AbstractBaseUser]) -> dict[AbstractBaseUser, str]:
    """For each person a word that is another one tomorrow, and after a change of the password; it tells nothing."""
    departments, now = departments_of(users), timezone.now()
    marks = {}
    for user in users:
        day = departments[user.pk].local_date(now) if user.pk in departments else now.date()
        marks[user] = salted_hmac(SALT, f"{day} {user.get_session_auth_hash()}", algorithm="sha256").hexdigest()[:32]
    return marks


def client_address(request: HttpRequest) -> str:
    """Where a sign-in comes from; behind a proxy what that proxy, the last of the chain, says."""
    forwarded = request.META.get("HTTP_X_FORWARDED_FOR", "") if settings.BEHIND_TLS_PROXY else ""
    return forwarded.rpartition(",")[2].strip() or request.META.get("REMOTE_ADDR", "")


class SharedSessionMiddleware:
    """Let the session of a shared workstation live on while it is used."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        response = self.get_response(request)
        session = request.session
        if session.get(SHARED):
            now = int(timezone.now().timestamp())
            if now - session.get(SEEN, 0) >= SECONDS_BETWEEN_MARKS:
                session[SEEN] = now  # which saves the session, with its few minutes from now
        return response
