"""What stays short after all that can be carried has been carried."""

from django.db import models
from django.db.models import Q
from django.utils.translation import gettext_lazy as _

from restock.reasons import not_found
from restock.sentences import Sentence, joined

from .sentences import SentenceField


class Shortage(models.Model):
    """A line of a plan that its storerooms cannot fill, with the reason and how much it may hurt."""

    class Cause(models.TextChoices):
        STOREROOM_EMPTY = "storeroom_empty", _("the storerooms have none")
        STOREROOM_LOW = "storeroom_low", _("the storerooms have too few for all")
        UNUSABLE = "unusable", _("what is there is expired or quarantined")
        PHARMACY = "pharmacy", _("the pharmacy keeps it")
        BIN_TOO_SMALL = "bin_too_small", _("the bin holds less than the day may need")
        NOT_FOUND = "not_found", _("it could not be found")

    plan_line = models.OneToOneField("restock.PlanLine", on_delete=models.CASCADE, related_name="shortage")
    cause = models.CharField(max_length=20, choices=Cause)
    short_by = models.PositiveIntegerField(help_text=_("Pieces."))
    not_found = models.PositiveIntegerField(default=0, help_text=_("Of these on record, but looked for in vain."))
    harm = models.FloatField(help_text=_("Expected pieces missing tomorrow, times the weight of the line."))
    reason = SentenceField()  # why the plan found it short; empty where only a search in vain did

    class Meta:
        ordering = ["-harm", "-short_by"]
        constraints = [
            models.CheckConstraint(
                condition=Q(short_by__gt=0),
                name="shortage_is_short",
                violation_error_message=_("A shortage lacks at least one piece."),
            )
        ]

    def __str__(self) -> str:
        return f"{self.plan_line} short by {self.short_by}"

    @property
    def why(self) -> Sentence:
        """What the plan said, and what could not be found since."""
        return joined(self.reason, not_found(self.not_found) if self.not_found else None, by=" ")
