"""Packs that came through the door and are not on the shelf's record yet."""

from django.conf import settings
from django.db import models
from django.db.models import Q
from django.utils.translation import gettext_lazy as _


class ArrivedPack(models.Model):
    """One scan (or one typed line) at the receiving table of a storeroom, kept until somebody puts it on record.

    It moves no stock. `item` is the pack's own number as scanned, kept where nobody knows the line yet;
    `pieces_per_pack` is empty as long as that is so. What is on record names the movement that holds it.
    """

    class State(models.TextChoices):
        WAITING = "waiting", _("not on record yet")
        RECORDED = "recorded", _("on record")
        ASIDE = "aside", _("put aside")
        REMOVED = "removed", _("taken off this list")

    storeroom = models.ForeignKey("inventory.Place", on_delete=models.PROTECT, related_name="arrived_packs")
    order = models.ForeignKey(
        "inventory.Order", null=True, blank=True, on_delete=models.PROTECT, related_name="arrived_packs"
    )
    item = models.CharField(max_length=80, blank=True)
    consumable = models.ForeignKey(
        "inventory.Consumable", null=True, blank=True, on_delete=models.PROTECT, related_name="arrived_packs"
    )
    lot_number = models.CharField(max_length=60, blank=True)
    possible_lots = models.JSONField(default=list, blank=True, help_text=_("Readings of a lot that is in doubt."))
    expires_on = models.DateField(null=True, blank=True)
    packs = models.PositiveIntegerField(default=1)
    pieces_per_pack = models.PositiveIntegerField(null=True, blank=True)
    state = models.CharField(max_length=20, choices=State, default=State.WAITING)
    wanted = models.BooleanField(default=False, help_text=_("Somebody said to receive it although it was not ordered."))
    movement = models.ForeignKey(
        "inventory.Movement", null=True, blank=True, on_delete=models.PROTECT, related_name="arrived_packs"
    )
    by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="arrived_packs")
    at = models.DateTimeField()
    key = models.CharField(max_length=80, unique=True)
    second_key = models.CharField(
        max_length=80,
        null=True,
        blank=True,
        unique=True,
        help_text=_("Of the scan of the pack's other code."),
    )

    class Meta:
        ordering = ["pk"]
        indexes = [models.Index(fields=["storeroom", "order", "state"], name="arrived_pack_waiting")]
        constraints = [
            models.CheckConstraint(
                condition=Q(packs__gte=1) & (Q(pieces_per_pack__isnull=True) | Q(pieces_per_pack__gte=1)),
                name="arrived_pack_holds_a_piece",
                violation_error_message=_("What came is at least one pack of at least one piece."),
            ),
            models.CheckConstraint(
                condition=Q(state="recorded", movement__isnull=False, consumable__isnull=False)
                | (~Q(state="recorded") & Q(movement__isnull=True)),
                name="arrived_pack_on_record_names_its_movement",
                violation_error_message=_(
                    "A pack that is on record names its line and its movement, and no other does."
                ),
            ),
            models.CheckConstraint(
                condition=Q(consumable__isnull=False) | ~Q(item=""),
                name="arrived_pack_is_of_something",
                violation_error_message=_("A pack has a number of its own or a line of the catalogue."),
            ),
        ]

    def __str__(self) -> str:
        return f"{self.packs} packs of {self.consumable or self.item}"
