"""What was used, and for which slot."""

from django.db import models
from django.db.models import Q
from django.utils.translation import gettext_lazy as _


class UsageRecord(models.Model):
    """Pieces of one consumable used for one case, or for one room and day where no case is known.

    Append-only like the ledger: a correction is a further record, with negative figures where the first said too
    much, and the truth is the sum. `movement` is empty for usage that is older than the first count of the cart it
    came from: it is learned from and moves no stock.
    """

    department = models.ForeignKey("inventory.Department", on_delete=models.PROTECT, related_name="usage")
    # usage_by_case begins with it.
    case = models.ForeignKey(
        "restock.Case", null=True, blank=True, on_delete=models.PROTECT, related_name="usage", db_index=False
    )
    room = models.ForeignKey("inventory.Room", null=True, blank=True, on_delete=models.PROTECT, related_name="usage")
    date = models.DateField(null=True, blank=True)
    consumable = models.ForeignKey("inventory.Consumable", on_delete=models.PROTECT, related_name="usage")
    used = models.IntegerField()
    opened_unused = models.IntegerField(default=0)
    movement = models.OneToOneField(
        "inventory.Movement", null=True, blank=True, on_delete=models.PROTECT, related_name="usage"
    )

    log = models.ForeignKey(
        "restock.CaseLog",
        null=True,
        blank=True,
        on_delete=models.PROTECT,
        related_name="records",
        help_text=_("The entry in which a person told it. Empty for use that came in a file."),
    )

    class Meta:
        indexes = [
            models.Index(fields=["case", "consumable", "used", "opened_unused"], name="usage_by_case"),
        ]
        constraints = [
            models.CheckConstraint(
                condition=Q(case__isnull=False, room__isnull=True, date__isnull=True)
                | Q(case__isnull=True, room__isnull=False, date__isnull=False),
                name="usage_has_case_or_room_and_day",
                violation_error_message=_(
                    "Usage belongs to a case, or to a room and day: not to both, not to neither."
                ),
            ),
            models.CheckConstraint(
                condition=~Q(used=0, opened_unused=0),
                name="usage_says_something",
                violation_error_message=_("A record of no pieces says nothing: leave it out."),
            ),
        ]

    def __str__(self) -> str:
        return f"{self.used} + {self.opened_unused} x {self.consumable}"
