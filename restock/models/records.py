"""How each line's record moved and what counts found of it, kept as sums so that no page reads the ledger through."""

from django.db import models
from django.utils.translation import gettext_lazy as _


class RecordTallies(models.Model):
    """A department's sums as they counted at one instant, and the last movement and the last count that are in them."""

    department = models.OneToOneField("inventory.Department", on_delete=models.CASCADE, related_name="record_tallies")
    as_of = models.DateTimeField()
    through_movement = models.BigIntegerField()
    movements = models.PositiveBigIntegerField(help_text=_("How many movements there were up to that one."))
    through_count = models.BigIntegerField()
    counts = models.PositiveBigIntegerField(help_text=_("How many counts there were up to that one."))

    class Meta:
        verbose_name_plural = _("record tallies")

    def __str__(self) -> str:
        return f"{self.department}: through movement {self.through_movement}, count {self.through_count}"


class RecordTally(models.Model):
    """The sums of one line at one place; see restock.learning.records for what they mean.

    Instants are days before `as_of`: a database hands out numbers several times faster.
    """

    tallies = models.ForeignKey(RecordTallies, on_delete=models.CASCADE, related_name="lines")
    place = models.ForeignKey("inventory.Place", on_delete=models.CASCADE, related_name="+")
    consumable = models.ForeignKey("inventory.Consumable", on_delete=models.CASCADE, related_name="+")
    moved = models.FloatField()
    days_moved = models.FloatField(null=True)
    days_counted = models.FloatField(null=True)
    off = models.FloatField()
    counted_over = models.FloatField()

    class Meta:
        verbose_name_plural = _("record tallies of lines")
        constraints = [
            models.UniqueConstraint(
                fields=["place", "consumable"],
                name="record_tally_unique",
                violation_error_message=_("What was learned contradicts itself: run manage.py learn --rebuild."),
            )
        ]

    def __str__(self) -> str:
        return f"{self.consumable} at {self.place}"
