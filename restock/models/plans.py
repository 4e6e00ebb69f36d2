"""An evening's plan: for every line of every cart what tomorrow may use, what to add, and why."""

from datetime import date

from django.conf import settings
from django.db import models
from django.db.models import F, Q
from django.utils.translation import gettext_lazy as _

from .sentences import SentenceField

PLAN_ANEW = _("The plan names this twice: make the plan anew.")


class Plan(models.Model):
    """One evening's plan with the date, settings and method it rests on, so that a past number can be explained."""

    department = models.ForeignKey("inventory.Department", on_delete=models.PROTECT, related_name="plans")
    for_date = models.DateField(help_text=_("The day that must be covered."))
    made_at = models.DateTimeField()
    by = models.ForeignKey(settings.AUTH_USER_MODEL, null=True, blank=True, on_delete=models.PROTECT)
    method = models.CharField(max_length=40, help_text=_("Name and version of the forecasting method."))
    parameters = models.JSONField(default=dict, help_text=_("The policy as it stood."))
    inputs = models.JSONField(
        default=dict, help_text=_("What was known: cases, logged cases, newest record and count.")
    )

    class Meta:
        ordering = ["-for_date", "-made_at"]
        get_latest_by = "made_at"
        indexes = [models.Index(fields=["department", "for_date", "made_at"], name="plan_by_day")]

    def __str__(self) -> str:
        return f"Plan for {self.for_date}"


class PlanLine(models.Model):
    """One line of one cart in one plan. Pieces throughout; probabilities from 0 to 1."""

    plan = models.ForeignKey(Plan, on_delete=models.CASCADE, related_name="lines")
    place = models.ForeignKey("inventory.Place", on_delete=models.PROTECT, related_name="plan_lines")
    consumable = models.ForeignKey("inventory.Consumable", on_delete=models.PROTECT, related_name="plan_lines")
    on_hand = models.IntegerField(help_text=_("Recorded, over all lots. Below zero means: please count."))
    usable = models.IntegerField(help_text=_("Of these in date and not quarantined on the day itself."))
    par = models.PositiveIntegerField()
    floor = models.PositiveIntegerField()
    capacity = models.PositiveIntegerField(null=True)
    cases = models.PositiveSmallIntegerField(help_text=_("Listed cases that may use it."))
    mean = models.FloatField()
    q50 = models.PositiveIntegerField()
    q90 = models.PositiveIntegerField()
    q95 = models.PositiveIntegerField()
    q99 = models.PositiveIntegerField()
    service_level = models.FloatField()
    q_service = models.PositiveIntegerField(help_text=_("Pieces that cover the service level."))
    p_short_before = models.FloatField()
    p_short_after = models.FloatField()
    shortfall_before = models.FloatField(help_text=_("Expected pieces missing if nothing is added."))
    shortfall_after = models.FloatField(help_text=_("Expected pieces missing after what can be added."))
    target = models.PositiveIntegerField()
    top_up = models.PositiveIntegerField(help_text=_("What it needs to reach the target."))
    allocated = models.PositiveIntegerField(help_text=_("What the storerooms can give it."))
    reason = SentenceField()
    pmf = models.JSONField(default=list, help_text=_("Tomorrow's demand: the probability of 0, 1, 2, ... pieces."))

    class Meta:
        ordering = ["plan", "place", "consumable"]
        constraints = [
            models.UniqueConstraint(
                fields=["plan", "place", "consumable"], name="plan_line_unique", violation_error_message=PLAN_ANEW
            ),
            models.CheckConstraint(
                condition=Q(allocated__lte=F("top_up")),
                name="allocated_within_top_up",
                violation_error_message=_("A line cannot be given more than it needs."),
            ),
        ]

    def __str__(self) -> str:
        return f"{self.consumable} at {self.place} for {self.plan.for_date}"

    @property
    def short_by(self) -> int:
        """Pieces that it needs and nobody has."""
        return self.top_up - self.allocated


class PickQuerySet(models.QuerySet):
    def on_trolley(self, department, *, day: date):
        """Picks whose pieces left the shelf for that day or a later one and are not said to lie in their drawer yet.

        Of whatever plan: one that took the place of another leaves on a trolley what is on it.
        """
        return self.filter(
            plan_line__plan__department=department,
            plan_line__plan__for_date__gte=day,
            plan_line__filling__isnull=True,
            confirmed_at__isnull=False,
            picked__gt=0,
        )


class Pick(models.Model):
    """Pieces of one lot to take from one storeroom for one plan line, and what was really picked.

    Open until somebody says what was picked (`confirmed_at`, `confirmed_by`). Of what was not picked, `not_found`
    pieces were looked for in vain: they are a shortage.
    """

    plan_line = models.ForeignKey(PlanLine, on_delete=models.CASCADE, related_name="picks")
    storeroom = models.ForeignKey("inventory.Place", on_delete=models.PROTECT, related_name="picks")
    bin = models.ForeignKey("inventory.Bin", null=True, on_delete=models.PROTECT, related_name="picks")
    lot = models.ForeignKey("inventory.Lot", null=True, on_delete=models.PROTECT, related_name="picks")
    quantity = models.PositiveIntegerField()
    picked = models.PositiveIntegerField(null=True, blank=True)
    confirmed_at = models.DateTimeField(null=True, blank=True)
    confirmed_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, null=True, blank=True, on_delete=models.PROTECT, related_name="picks"
    )
    not_found = models.PositiveIntegerField(default=0)

    objects = PickQuerySet.as_manager()

    class Meta:
        ordering = ["plan_line", "pk"]
        constraints = [
            models.CheckConstraint(
                condition=Q(quantity__gt=0),
                name="pick_quantity_positive",
                violation_error_message=_("A pick is of at least one piece."),
            ),
            models.CheckConstraint(
                condition=Q(not_found=0) | Q(picked__isnull=False, quantity__gte=F("picked") + F("not_found")),
                name="not_found_within_what_was_not_picked",
                violation_error_message=_("Only what was asked for and not picked can be missing."),
            ),
            models.UniqueConstraint(
                fields=["plan_line", "storeroom", "lot"], name="pick_unique", violation_error_message=PLAN_ANEW
            ),
            models.UniqueConstraint(
                fields=["plan_line", "storeroom"],
                condition=Q(lot__isnull=True),
                name="pick_without_lot_unique",
                violation_error_message=PLAN_ANEW,
            ),
        ]

    def __str__(self) -> str:
        return f"{self.quantity} x {self.plan_line.consumable} from {self.storeroom}"
