"""Who goes round tonight: which cart is whose, and which of its lines were put into their drawers."""

from django.conf import settings
from django.db import models
from django.db.models import F, Q
from django.utils.translation import gettext_lazy as _


class Claim(models.Model):
    """One cart of one plan, taken by one person. Given back or handed over, it keeps its row and gets an end."""

    plan = models.ForeignKey("restock.Plan", on_delete=models.CASCADE, related_name="claims")
    place = models.ForeignKey("inventory.Place", on_delete=models.PROTECT, related_name="claims")
    by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="claims")
    at = models.DateTimeField()
    ended_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering = ["at", "pk"]
        constraints = [
            models.UniqueConstraint(
                fields=["plan", "place"],
                condition=Q(ended_at__isnull=True),
                name="cart_claimed_by_one",
                violation_error_message=_("Somebody else has taken this cart: take it over, or take another."),
            ),
            models.CheckConstraint(
                condition=Q(ended_at__isnull=True) | Q(ended_at__gte=F("at")),
                name="claim_ends_after_it_began",
                violation_error_message=_("A claim cannot end before it began."),
            ),
        ]

    def __str__(self) -> str:
        return f"{self.place} for {self.plan.for_date}, taken by {self.by}"


class Filling(models.Model):
    """The pieces of a plan line lie in their drawer: until then they are on somebody's trolley."""

    plan_line = models.OneToOneField("restock.PlanLine", on_delete=models.CASCADE, related_name="filling")
    pieces = models.PositiveIntegerField()
    by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="fillings")
    at = models.DateTimeField()

    class Meta:
        ordering = ["at", "pk"]

    def __str__(self) -> str:
        return f"{self.pieces} put in: {self.plan_line}"
