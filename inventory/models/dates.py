"""What people read on the packs themselves: the only proof of a date."""

from django.conf import settings
from django.db import models


class DateCheck(models.Model):
    """The earliest printed date that a person saw among the pieces of one line at one place. Written once.

    `earliest_expires_on` is empty where none of them carries a date, or none was there.
    """

    place = models.ForeignKey("inventory.Place", on_delete=models.PROTECT, related_name="date_checks")
    consumable = models.ForeignKey("inventory.Consumable", on_delete=models.PROTECT, related_name="date_checks")
    earliest_expires_on = models.DateField(null=True, blank=True)
    by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="date_checks")
    at = models.DateTimeField()
    key = models.CharField(max_length=80, unique=True)

    class Meta:
        ordering = ["at", "pk"]
        indexes = [models.Index(fields=["place", "consumable", "at"], name="date_check_latest")]

    def __str__(self) -> str:
        return f"dates of {self.consumable} at {self.place}"
