"""What lets a person come back to a shared workstation without the password."""

from django.conf import settings
from django.db import models
from django.db.models import Q
from django.utils.translation import gettext_lazy as _

MOST_WRONG_PINS = 5


class QuickSignIn(models.Model):
    """A person's PIN (hashed as passwords are) and badge (a keyed hash, because a badge is looked up).

    Neither opens a workstation on which the person has not signed in fully that day. After `MOST_WRONG_PINS` wrong
    PINs in a row neither opens anything until the next full sign-in.
    """

    user = models.OneToOneField(settings.AUTH_USER_MODEL, on_delete=models.CASCADE, related_name="quick_sign_in")
    pin_hash = models.CharField(max_length=128, blank=True)
    badge_hash = models.CharField(max_length=64, blank=True)
    wrong_in_a_row = models.PositiveSmallIntegerField(default=0)

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["badge_hash"],
                condition=~Q(badge_hash=""),
                name="badge_is_one_person_s",
                violation_error_message=_("This badge belongs to somebody else: read your own."),
            ),
            models.CheckConstraint(
                condition=~Q(pin_hash="", badge_hash=""),
                name="quick_sign_in_has_a_pin_or_a_badge",
                violation_error_message=_("Give a PIN, a badge, or both."),
            ),
            models.CheckConstraint(
                condition=Q(wrong_in_a_row__lte=MOST_WRONG_PINS),
                name="wrong_pins_are_counted_to_the_limit",
                violation_error_message=_("A PIN is asked for no more after that many wrong ones."),
            ),
        ]

    def __str__(self) -> str:
        return f"quick sign-in of {self.user}"
