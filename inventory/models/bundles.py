"""Pieces that technicians make up in advance: what goes into a bundle, and each time one was made or taken apart."""

from django.conf import settings
from django.db import models
from django.db.models import F, Q
from django.utils.translation import gettext_lazy as _


class BundlePiece(models.Model):
    """A bundle, which is a line of the catalogue like any other, holds so many pieces of another line."""

    bundle = models.ForeignKey("inventory.Consumable", on_delete=models.CASCADE, related_name="bundle_pieces")
    piece = models.ForeignKey("inventory.Consumable", on_delete=models.PROTECT, related_name="in_bundles")
    pieces_per_bundle = models.PositiveIntegerField(default=1)

    class Meta:
        ordering = ["bundle", "piece__section", "piece__code"]
        constraints = [
            models.UniqueConstraint(
                fields=["bundle", "piece"],
                name="bundle_piece_unique",
                violation_error_message=_("This bundle already holds this line: change how many."),
            ),
            models.CheckConstraint(
                condition=Q(pieces_per_bundle__gte=1),
                name="bundle_holds_a_piece",
                violation_error_code="pieces_per_bundle",
                violation_error_message=_("A bundle holds at least one piece of each of its lines."),
            ),
            models.CheckConstraint(
                condition=~Q(bundle=F("piece")),
                name="bundle_does_not_hold_itself",
                violation_error_code="piece",
                violation_error_message=_("A bundle cannot hold itself."),
            ),
        ]

    def __str__(self) -> str:
        return f"{self.pieces_per_bundle} x {self.piece} in {self.bundle}"


class Assembly(models.Model):
    """Bundles made up, or taken apart, at one place in one go. Written once; the pieces are in its movements.

    `lot` is the bundles' own lot, which expires with the first of their pieces. It ties a bundle to the lots in it.
    """

    class Kind(models.TextChoices):
        MADE_UP = "made_up", _("made up")
        TAKEN_APART = "taken_apart", _("taken apart")

    kind = models.CharField(max_length=20, choices=Kind)
    place = models.ForeignKey("inventory.Place", on_delete=models.PROTECT, related_name="assemblies")
    bundle = models.ForeignKey("inventory.Consumable", on_delete=models.PROTECT, related_name="assemblies")
    lot = models.ForeignKey("inventory.Lot", on_delete=models.PROTECT, related_name="assemblies")
    bundles = models.PositiveIntegerField()
    movements = models.ManyToManyField("inventory.Movement", related_name="assemblies")
    by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="assemblies")
    at = models.DateTimeField()
    key = models.CharField(max_length=80, unique=True)

    class Meta:
        ordering = ["-at", "-pk"]
        verbose_name_plural = _("assemblies")
        constraints = [
            models.CheckConstraint(
                condition=Q(bundles__gte=1),
                name="assembly_of_a_bundle",
                violation_error_message=_("At least one bundle is made up or taken apart."),
            )
        ]

    def __str__(self) -> str:
        return f"{self.bundles} x {self.bundle} {self.get_kind_display()}"
