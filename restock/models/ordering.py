"""How a storeroom orders its lines from the supplier."""

from django.db import models
from django.db.models import F, Q
from django.utils.translation import gettext_lazy as _


class OrderPolicy(models.Model):
    """How one storeroom orders one line. A line without a row is ordered as the defaults here say.

    Every default is an assumption, a starting point for the department's own figures. Days are calendar days.
    """

    class Method(models.TextChoices):
        ORDER_UP_TO = "order_up_to", _("up to a level at every review (R, S)")
        REORDER_POINT = "reorder_point", _("a fixed quantity once stock is down to a point (s, Q)")

    class Measure(models.TextChoices):
        ALPHA = "alpha", _("share of order cycles without running out")
        FILL_RATE = "fill_rate", _("share of pieces handed out at once")

    stocking_line = models.OneToOneField(
        "inventory.StockingLine", on_delete=models.CASCADE, related_name="order_policy"
    )
    method = models.CharField(max_length=20, choices=Method, default=Method.ORDER_UP_TO)
    review_days = models.PositiveSmallIntegerField(default=7, help_text=_("Days from one order to the next."))
    lead_days = models.PositiveSmallIntegerField(default=3, help_text=_("Days from order to delivery, as a rule."))
    lead_spread_days = models.PositiveSmallIntegerField(
        default=1, help_text=_("A delivery comes up to so many days early or late, each of these days as likely.")
    )
    lead_fixed = models.BooleanField(default=False, help_text=_("Keep these lead days, whatever receipts teach."))
    order_pieces = models.PositiveIntegerField(
        null=True, blank=True, help_text=_("Pieces of a fixed order. Empty: what a review period uses, in whole packs.")
    )
    measure = models.CharField(max_length=20, choices=Measure, default=Measure.ALPHA)
    service = models.FloatField(
        null=True, blank=True, help_text=_("From 0 to 1. Empty: the department's service level for such a line.")
    )

    class Meta:
        verbose_name_plural = _("order policies")
        constraints = [
            models.CheckConstraint(
                condition=Q(review_days__gte=1),
                name="review_at_least_daily",
                violation_error_code="review_days",
                violation_error_message=_("Orders are reviewed every day or less often: at least 1."),
            ),
            models.CheckConstraint(
                condition=Q(lead_spread_days__lte=F("lead_days")),
                name="delivery_not_before_order",
                violation_error_code="lead_spread_days",
                violation_error_message=_(
                    "A delivery cannot come before its order: the spread is at most the lead time."
                ),
            ),
            models.CheckConstraint(
                condition=Q(order_pieces__isnull=True) | Q(order_pieces__gte=1),
                name="order_holds_a_piece",
                violation_error_code="order_pieces",
                violation_error_message=_("A fixed order holds at least one piece."),
            ),
            models.CheckConstraint(
                condition=Q(service__isnull=True) | Q(service__gt=0, service__lt=1),
                name="order_service_is_a_share",
                violation_error_code="service",
                violation_error_message=_("A service level lies between 0 and 1, both left out: 0.98, not 98."),
            ),
        ]

    def __str__(self) -> str:
        return f"how {self.stocking_line} is ordered"

    # What receipts taught, chances of a lead time of 0, 1, 2 ... days; learning.lead_times sets it, nothing stores it.
    learned_lead: tuple[float, ...] = ()

    @property
    def longest_lead_days(self) -> int:
        return len(self.lead_chances()) - 1

    @property
    def usual_lead_days(self) -> int:
        """The day by which a delivery has come in half of all cases."""
        total = 0.0
        for day, chance in enumerate(self.lead_chances()):
            total += chance
            if total >= 0.5 - 1e-9:
                return day
        return self.longest_lead_days

    def lead_chances(self) -> list[float]:
        """Chance of a lead time of 0, 1, 2 ... days: as learned, or else as stated."""
        return list(self.learned_lead) or self.stated_lead_chances()

    def stated_lead_chances(self) -> list[float]:
        """Chance of a lead time of 0, 1, 2 ... days by lead_days and lead_spread_days alone."""
        days = range(self.lead_days + self.lead_spread_days + 1)
        first = self.lead_days - self.lead_spread_days
        return [(day >= first) / (2 * self.lead_spread_days + 1) for day in days]
