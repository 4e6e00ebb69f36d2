"""Advice that was worked out once and waits to be read: a page never computes for a minute."""

from django.conf import settings
from django.db import models
from django.db.models import F, Q
from django.utils.translation import gettext_lazy as _

from .notes import about_stock_only
from .sentences import SentenceField

WORK_OUT_ANEW = _("What was worked out contradicts itself: work it out anew.")


class ParAdviceRun(models.Model):
    """One working out of the par advice, from operating days `first_day` to `last_day`. The newest one counts."""

    department = models.ForeignKey("inventory.Department", on_delete=models.PROTECT, related_name="par_advice_runs")
    made_at = models.DateTimeField()
    by = models.ForeignKey(settings.AUTH_USER_MODEL, null=True, on_delete=models.PROTECT, related_name="+")
    first_day = models.DateField()
    last_day = models.DateField()
    days = models.PositiveSmallIntegerField(help_text=_("Operating days looked at."))
    lines = models.PositiveIntegerField(help_text=_("Lines looked at, those without a change included."))

    class Meta:
        ordering = ["-made_at", "-pk"]
        get_latest_by = "made_at"
        constraints = [
            models.CheckConstraint(
                condition=Q(first_day__lte=F("last_day")),
                name="par_advice_days_in_order",
                violation_error_message=_("The first day lies after the last."),
            )
        ]

    def __str__(self) -> str:
        return f"par advice of {self.made_at:%Y-%m-%d}"


class AdvisedPar(models.Model):
    """One line whose par the advice would change, the effect of it, and the answer. Pieces; chances from 0 to 1.

    Days short and pieces on the cart of an evening are what the run's days would have been with the pieces really used.
    """

    class Answer(models.TextChoices):
        OPEN = "open", _("open")
        ACCEPTED = "accepted", _("accepted")
        CHANGED = "changed", _("changed to another par")
        REFUSED = "refused", _("refused")

    run = models.ForeignKey(ParAdviceRun, on_delete=models.CASCADE, related_name="pars")
    stocking_line = models.ForeignKey("inventory.StockingLine", on_delete=models.CASCADE, related_name="advised_pars")
    par = models.PositiveIntegerField(help_text=_("Par when the advice was worked out."))
    advised = models.PositiveIntegerField()
    service_level = models.FloatField()
    p_short_now = models.FloatField()
    p_short_advised = models.FloatField()
    days_short_now = models.PositiveSmallIntegerField()
    days_short_advised = models.PositiveSmallIntegerField()
    on_hand_now = models.FloatField()
    on_hand_advised = models.FloatField()
    reason = SentenceField()
    answer = models.CharField(max_length=20, choices=Answer, default=Answer.OPEN)
    answered_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, null=True, blank=True, on_delete=models.PROTECT, related_name="+"
    )
    answered_at = models.DateTimeField(null=True, blank=True)
    note = models.CharField(max_length=200, blank=True, validators=[about_stock_only])

    class Meta:
        ordering = ["run", "pk"]
        constraints = [
            models.UniqueConstraint(
                fields=["run", "stocking_line"], name="advised_par_unique", violation_error_message=WORK_OUT_ANEW
            ),
            models.CheckConstraint(
                condition=~Q(par=F("advised")),
                name="advised_par_is_another",
                violation_error_message=_("Advice that changes nothing is not kept."),
            ),
            models.CheckConstraint(
                condition=Q(answer="open", answered_at__isnull=True, answered_by__isnull=True)
                | (~Q(answer="open") & Q(answered_at__isnull=False, answered_by__isnull=False)),
                name="answer_names_who_and_when",
                violation_error_message=_("An answer names who gave it and when."),
            ),
        ]

    def __str__(self) -> str:
        return f"{self.stocking_line}: {self.par} to {self.advised}"


class StoreroomCover(models.Model):
    """How many days a storeroom's pieces of a line are likely to last. Replaced by every working out.

    `usable` counts pieces less what the carts lack of their par. `open_ended`: `high` means so many days or more.
    """

    place = models.ForeignKey("inventory.Place", on_delete=models.CASCADE, related_name="covers")
    consumable = models.ForeignKey("inventory.Consumable", on_delete=models.CASCADE, related_name="covers")
    usable = models.IntegerField()
    low = models.PositiveSmallIntegerField(help_text=_("Days."))
    likely = models.PositiveSmallIntegerField(help_text=_("Days."))
    high = models.PositiveSmallIntegerField(help_text=_("Days."))
    open_ended = models.BooleanField()
    made_at = models.DateTimeField()

    class Meta:
        ordering = ["low", "likely", "place", "consumable"]
        constraints = [
            models.UniqueConstraint(
                fields=["place", "consumable"], name="storeroom_cover_unique", violation_error_message=WORK_OUT_ANEW
            ),
            models.CheckConstraint(
                condition=Q(low__lte=F("likely"), likely__lte=F("high")),
                name="cover_in_order",
                violation_error_message=_("Days of cover run from low over likely to high."),
            ),
        ]

    def __str__(self) -> str:
        return f"{self.consumable} in {self.place}: {self.low} to {self.high} days"
