"""What was learned from the log, kept as sums so that a night's learning reads only what is new.

Weights fade by forward decay (Cormode et al. 2009, "Forward decay"): a case of day d is added with weight
2 ** ((d - landmark) / half_life), and a reader divides by the same expression for its own day. Nothing stored has to
change as time passes; a new half-life means a rebuild.
"""

from django.db import models
from django.db.models import Q
from django.utils.translation import gettext_lazy as _

COUNT_ANEW = _("What was learned contradicts itself: run manage.py learn --rebuild.")


class Learning(models.Model):
    """How far a department's tallies have come, and under which settings."""

    department = models.OneToOneField("inventory.Department", on_delete=models.PROTECT, related_name="learning")
    half_life_days = models.PositiveIntegerField()
    landmark = models.DateField()
    through_record = models.BigIntegerField(
        default=0, help_text=_("The last usage record that is in the tallies (its primary key).")
    )
    records = models.PositiveBigIntegerField(default=0, help_text=_("How many usage records are in the tallies."))
    updated_at = models.DateTimeField()

    class Meta:
        verbose_name_plural = _("learning")

    def __str__(self) -> str:
        return f"{self.department}: learned through record {self.through_record}"


class Stratum(models.Model):
    """A class of cases that are alike for the forecast, or the room-days of one room.

    `cases` is the faded number of logged cases (or, for a room, logged days) in it.
    """

    department = models.ForeignKey("inventory.Department", on_delete=models.PROTECT, related_name="strata")
    case_type = models.ForeignKey("restock.CaseType", null=True, on_delete=models.PROTECT, related_name="strata")
    technique = models.ForeignKey("restock.Technique", null=True, on_delete=models.PROTECT, related_name="strata")
    size_class = models.ForeignKey("restock.SizeClass", null=True, on_delete=models.PROTECT, related_name="strata")
    extras = models.CharField(max_length=120, blank=True, help_text=_("Sorted keys of the booked extras: 3,7."))
    room = models.ForeignKey("inventory.Room", null=True, on_delete=models.PROTECT, related_name="strata")
    cases = models.FloatField(default=0)

    class Meta:
        verbose_name_plural = _("strata")
        constraints = [
            models.UniqueConstraint(
                fields=["case_type", "technique", "size_class", "extras"],
                condition=Q(room__isnull=True),
                name="case_stratum_unique",
                violation_error_message=COUNT_ANEW,
            ),
            models.UniqueConstraint(
                fields=["room"],
                condition=Q(room__isnull=False),
                name="room_stratum_unique",
                violation_error_message=COUNT_ANEW,
            ),
            models.CheckConstraint(
                condition=Q(room__isnull=False, case_type__isnull=True, technique__isnull=True, size_class__isnull=True)
                | Q(room__isnull=True, case_type__isnull=False, technique__isnull=False, size_class__isnull=False),
                name="stratum_of_cases_or_of_a_room",
                violation_error_message=COUNT_ANEW,
            ),
        ]

    def __str__(self) -> str:
        return f"{self.room or self.case_type}"


class QuantityTally(models.Model):
    """How often cases of a stratum used `quantity` pieces of a line. Cases that used none are the rest.

    cut_off: the last of these pieces emptied the cart, so that such a case may have wanted more (learning.emptying).
    """

    stratum = models.ForeignKey(Stratum, on_delete=models.CASCADE, related_name="tallies")
    consumable = models.ForeignKey("inventory.Consumable", null=True, on_delete=models.PROTECT, related_name="+")
    size_run = models.ForeignKey("inventory.SizeRun", null=True, on_delete=models.PROTECT, related_name="+")
    quantity = models.PositiveSmallIntegerField()
    cut_off = models.BooleanField(default=False)
    weight = models.FloatField()

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["stratum", "consumable", "quantity", "cut_off"],
                condition=Q(size_run__isnull=True),
                name="tally_of_consumable_unique",
                violation_error_message=COUNT_ANEW,
            ),
            models.UniqueConstraint(
                fields=["stratum", "size_run", "quantity", "cut_off"],
                condition=Q(consumable__isnull=True),
                name="tally_of_size_run_unique",
                violation_error_message=COUNT_ANEW,
            ),
            models.CheckConstraint(
                condition=Q(consumable__isnull=False, size_run__isnull=True)
                | Q(consumable__isnull=True, size_run__isnull=False),
                name="tally_of_one_thing",
                violation_error_message=COUNT_ANEW,
            ),
            models.CheckConstraint(
                condition=Q(quantity__gt=0), name="tally_quantity_positive", violation_error_message=COUNT_ANEW
            ),
        ]

    def __str__(self) -> str:
        return f"{self.stratum}: {self.weight:.1f} x {self.quantity}"


class SplitTally(models.Model):
    """How many pieces of one size of a run went to cases of one type and size class."""

    case_type = models.ForeignKey("restock.CaseType", on_delete=models.PROTECT, related_name="splits")
    size_class = models.ForeignKey("restock.SizeClass", on_delete=models.PROTECT, related_name="splits")
    consumable = models.ForeignKey("inventory.Consumable", on_delete=models.PROTECT, related_name="splits")
    pieces = models.FloatField(default=0)

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["case_type", "size_class", "consumable"],
                name="split_unique",
                violation_error_message=COUNT_ANEW,
            )
        ]

    def __str__(self) -> str:
        return f"{self.size_class}: {self.pieces:.1f} x {self.consumable}"


class OpenedTally(models.Model):
    """How many pieces of a consumable cases of one type opened, and how many of them unused. Never by person."""

    case_type = models.ForeignKey("restock.CaseType", on_delete=models.PROTECT, related_name="opened")
    consumable = models.ForeignKey("inventory.Consumable", on_delete=models.PROTECT, related_name="+")
    opened = models.FloatField(default=0, help_text=_("Faded pieces, used or not."))
    unused = models.FloatField(default=0, help_text=_("Faded pieces, of those opened."))
    cases = models.FloatField(
        default=0,
        help_text=_("Faded cases that opened any; one that opened several sizes of a run counts for one of them."),
    )

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["case_type", "consumable"], name="opened_unique", violation_error_message=COUNT_ANEW
            )
        ]

    def __str__(self) -> str:
        return f"{self.case_type}: {self.unused:.1f} of {self.opened:.1f} x {self.consumable} unused"
