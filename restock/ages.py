"""How people say how old a count is. Pure: instants in, words out."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime, timedelta

from django.utils.translation import gettext as _
from django.utils.translation import ngettext

MINUTE, HOUR, DAY = timedelta(minutes=1), timedelta(hours=1), timedelta(days=1)


def age_words(age: timedelta) -> str:
    """An age with as much precision as helps: minutes below an hour, hours below two days, then days."""
    if age < HOUR:
        return _("%(minutes)d min") % {"minutes": max(age // MINUTE, 1)}
    if age < 2 * DAY:
        return _("%(hours)d h") % {"hours": age // HOUR}
    return ngettext("%(days)d day", "%(days)d days", age // DAY) % {"days": age // DAY}


def seconds_words(age: timedelta) -> str:
    """How long something has been going on: seconds below two minutes, then as `age_words`."""
    if age < 2 * MINUTE:
        return _("%(seconds)d s") % {"seconds": age.total_seconds()}
    return age_words(age)


def counted_words(counted_at: datetime | None, now: datetime) -> str:
    """How old a count is."""
    if counted_at is None:
        return _("never counted")
    return _("counted %(age)s ago") % {"age": age_words(now - counted_at)}


def counts_words(counted_at: Iterable[datetime | None], now: datetime) -> str:
    """How old the counts of several lines are, newest to oldest, and how many were never counted."""
    counted_at = list(counted_at)
    known = sorted(now - at for at in counted_at if at is not None)
    if not known:
        return _("never counted")
    newest, oldest = age_words(known[0]), age_words(known[-1])
    if newest == oldest:
        words = _("counted %(age)s ago") % {"age": newest}
    else:
        words = _("counted %(newest)s to %(oldest)s ago") % {"newest": newest, "oldest": oldest}
    never = len(counted_at) - len(known)
    if not never:
        return words
    lines = ngettext("%(count)d line never", "%(count)d lines never", never) % {"count": never}
    return f"{words}, {lines}"
