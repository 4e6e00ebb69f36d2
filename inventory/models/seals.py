"""Seals of carts that stay closed until they are needed: who opened, who looked, who closed. People declare, not we."""

from django.conf import settings
from django.db import models
from django.db.models import Q
from django.utils.translation import gettext_lazy as _

from .notes import about_stock_only


class SealEvent(models.Model):
    """Something that happened to a cart's seal. Written once; the newest event of a cart says how it stands.

    Closing a cart follows a full check of its contents by the named person `by`: `seal_on` is the new seal's number and
    `earliest_expires_on` the date to write on the outside.
    """

    class Kind(models.TextChoices):
        OPENED = "opened", _("opened")
        CLOSED = "closed", _("checked and closed")
        INTACT = "intact", _("seal seen intact")
        BROKEN = "broken", _("seal found broken")

    place = models.ForeignKey("inventory.Place", on_delete=models.PROTECT, related_name="seal_events")
    kind = models.CharField(max_length=20, choices=Kind)
    seal_off = models.CharField(max_length=40, blank=True)
    seal_on = models.CharField(max_length=40, blank=True)
    earliest_expires_on = models.DateField(null=True, blank=True)
    note = models.CharField(max_length=200, blank=True, validators=[about_stock_only])
    by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="seal_events")
    at = models.DateTimeField()
    key = models.CharField(max_length=80, unique=True)

    class Meta:
        ordering = ["at", "pk"]
        indexes = [models.Index(fields=["place", "at"], name="seal_event_latest")]
        constraints = [
            models.CheckConstraint(
                condition=~Q(kind="closed") | ~Q(seal_on=""),
                name="closing_names_the_new_seal",
                violation_error_message=_("Write down the number of the new seal."),
            ),
            models.CheckConstraint(
                condition=Q(kind="closed") | Q(seal_on=""),
                name="only_closing_puts_a_seal_on",
                violation_error_message=_("A new seal goes on when a cart is checked and closed."),
            ),
        ]

    def __str__(self) -> str:
        return f"{self.place}: {self.get_kind_display()}"


class CartGuidance(models.Model):
    """A cart whose content list is held against published guidance (`inventory.guidance`), by the code of the list."""

    place = models.ForeignKey("inventory.Place", on_delete=models.CASCADE, related_name="guidance")
    guidance = models.SlugField()

    class Meta:
        ordering = ["place", "guidance"]
        constraints = [
            models.UniqueConstraint(
                fields=["place", "guidance"],
                name="cart_guidance_unique",
                violation_error_message=_("This cart is held against that guidance already."),
            )
        ]

    def __str__(self) -> str:
        return f"{self.place}: {self.guidance}"


class GuidedLine(models.Model):
    """A line of the catalogue that a person chose as what a row of the guidance asks for. Names alone never decide."""

    cart_guidance = models.ForeignKey(CartGuidance, on_delete=models.CASCADE, related_name="lines")
    item = models.SlugField()
    consumable = models.ForeignKey("inventory.Consumable", on_delete=models.CASCADE, related_name="guided_lines")

    class Meta:
        ordering = ["cart_guidance", "item", "consumable"]
        constraints = [
            models.UniqueConstraint(
                fields=["cart_guidance", "item", "consumable"],
                name="guided_line_unique",
                violation_error_message=_("This line was already chosen for that row."),
            )
        ]

    def __str__(self) -> str:
        return f"{self.consumable} for {self.item}"
