"""A person's PIN and badge: set after a full sign-in, asked for on a workstation where they signed in that day."""

from __future__ import annotations

from collections.abc import Iterable
from itertools import pairwise

from django.contrib.auth.hashers import check_password, make_password
from django.contrib.auth.models import AbstractBaseUser
from django.core.exceptions import ValidationError
from django.db.models import F
from django.utils.crypto import salted_hmac
from django.utils.translation import gettext as _

from ..models import QuickSignIn
from ..models.quick_sign_in import MOST_WRONG_PINS

FEWEST_PIN_DIGITS, MOST_PIN_DIGITS = 4, 8
FEWEST_BADGE_CHARACTERS = 8


def set_codes(user: AbstractBaseUser, *, pin: str | None = None, badge: str | None = None) -> None:
    """Set what is given (None leaves it, "" takes it away). Raises ValidationError with words for the field."""
    found = QuickSignIn.objects.filter(user=user).first() or QuickSignIn(user=user)
    if pin is not None:
        found.pin_hash = make_password(_checked_pin(pin)) if pin else ""
    if badge is not None:
        found.badge_hash = _hashed(_checked_badge(badge)) if badge else ""
    if not found.pin_hash and not found.badge_hash:
        if found.pk:
            found.delete()
        return
    found.full_clean()
    found.save()


class WrongCode(Exception):
    """Nobody comes back with this code. `counted` says whether it was counted against a person as a wrong PIN."""

    def __init__(self, *, counted: bool):
        super().__init__()
        self.counted = counted


def match(code: str, *, among: Iterable[AbstractBaseUser], person: AbstractBaseUser | None) -> AbstractBaseUser:
    """Who comes back with this code: the owner of a badge, or the chosen `person` whose PIN it is.

    `among` are those who may come back on this workstation. A wrong PIN is counted against the person; after
    `MOST_WRONG_PINS` in a row neither PIN nor badge opens anything until the next full sign-in. Raises WrongCode.
    """
    rows = QuickSignIn.objects.filter(user__in=list(among), wrong_in_a_row__lt=MOST_WRONG_PINS)
    badge = rows.filter(badge_hash=_hashed(code.strip())).exclude(badge_hash="").select_related("user").first()
    if badge is not None:
        return badge.user
    row = rows.filter(user=person).exclude(pin_hash="").select_related("user").first() if person else None
    if row is None:
        raise WrongCode(counted=False)
    # The attempt is counted before it is judged: of many tries at once no more than the limit is judged.
    still_asked = QuickSignIn.objects.filter(pk=row.pk, wrong_in_a_row__lt=MOST_WRONG_PINS)
    if not still_asked.update(wrong_in_a_row=F("wrong_in_a_row") + 1) or not check_password(code, row.pin_hash):
        raise WrongCode(counted=True)
    forgive(row.user)
    return row.user


def forgive(user: AbstractBaseUser) -> None:
    """Count wrong PINs anew: the person has shown who they are."""
    QuickSignIn.objects.filter(user=user).update(wrong_in_a_row=0)


def _checked_pin(pin: str) -> str:
    digits = pin.isascii() and pin.isdigit()
    if not digits or not FEWEST_PIN_DIGITS <= len(pin) <= MOST_PIN_DIGITS:
        raise ValidationError({"pin": _("A PIN has 4 to 8 digits.")})
    steps = {(int(b) - int(a)) % 10 for a, b in pairwise(pin)}
    if len(steps) == 1 and steps <= {0, 1, 9}:
        raise ValidationError({"pin": _("This PIN is one of the first that anybody tries: choose another.")})
    return pin


def _checked_badge(badge: str) -> str:
    if len(badge.strip()) < FEWEST_BADGE_CHARACTERS:
        raise ValidationError({"badge": _("A badge code has 8 characters or more: scan it, do not make one up.")})
    return badge.strip()


def _hashed(badge: str) -> str:
    return salted_hmac("restock.badge", badge, algorithm="sha256").hexdigest()
