"""What people counted. A count is a fact even where it changed nothing: it says how old our knowledge is."""

from django.conf import settings
from django.db import models


class Count(models.Model):
    """Pieces of one consumable that a person counted at one place, beside what the ledger expected then."""

    place = models.ForeignKey("inventory.Place", on_delete=models.PROTECT, related_name="counts")
    consumable = models.ForeignKey("inventory.Consumable", on_delete=models.PROTECT, related_name="counts")
    expected = models.IntegerField()
    counted = models.PositiveIntegerField()
    by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="counts")
    at = models.DateTimeField()
    key = models.CharField(max_length=80, unique=True)

    class Meta:
        ordering = ["at", "pk"]
        indexes = [models.Index(fields=["place", "consumable", "at"], name="count_latest")]

    def __str__(self) -> str:
        return f"{self.counted} counted of {self.consumable} at {self.place}"

    @property
    def variance(self) -> int:
        """Pieces more (or, negative, fewer) than the ledger expected."""
        return self.counted - self.expected
