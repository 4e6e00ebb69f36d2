"""What the newest backtest found, kept for the page on accuracy. Replaced as a whole; found again from the log."""

from django.db import models
from django.db.models import F, Q
from django.utils.translation import gettext_lazy as _

from .calibration import JUDGE_ANEW


class Judgement(models.Model):
    """The forecast judged on `evenings` past evenings, each knowing only what was known then. Shares from 0 to 1.

    levels: [level, stated, covered, low, high] of each service level judged; tenths: [share, low, high] of the use
    that fell into each tenth of the forecast (backtesting.judging reads both). brier and calibration_error are of the
    chance to run short from par.
    """

    department = models.OneToOneField("inventory.Department", on_delete=models.PROTECT, related_name="judgement")
    judged_at = models.DateTimeField()
    first_day = models.DateField()
    last_day = models.DateField()
    evenings = models.PositiveSmallIntegerField()
    lines = models.PositiveIntegerField()
    levels = models.JSONField(default=list)
    tenths = models.JSONField(default=list)
    brier = models.FloatField()
    calibration_error = models.FloatField()

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=Q(first_day__lte=F("last_day")),
                name="judgement_days_in_order",
                violation_error_message=_("The first day lies after the last."),
            )
        ]

    def __str__(self) -> str:
        return f"{self.department}: {self.first_day} to {self.last_day}"


class RuleScore(models.Model):
    """The forecast's score as a share of that of a rule a department would use instead: below 1 it is better."""

    judgement = models.ForeignKey(Judgement, on_delete=models.CASCADE, related_name="rules")
    rule = models.CharField(max_length=40)
    score = models.CharField(max_length=20)
    ratio = models.FloatField(null=True, help_text=_("Empty where the rule's own score is 0."))
    low = models.FloatField(null=True)
    high = models.FloatField(null=True)

    class Meta:
        ordering = ["pk"]
        constraints = [
            models.UniqueConstraint(
                fields=["judgement", "rule", "score"], name="rule_score_unique", violation_error_message=JUDGE_ANEW
            )
        ]

    def __str__(self) -> str:
        return f"{self.score} against {self.rule}"


class LineDrift(models.Model):
    """A consumable of which all carts together steadily used more, or less, than was forecast. Pieces a day."""

    judgement = models.ForeignKey(Judgement, on_delete=models.CASCADE, related_name="drifts")
    consumable = models.ForeignKey("inventory.Consumable", on_delete=models.CASCADE, related_name="+")
    used_per_day = models.FloatField()
    forecast_per_day = models.FloatField()
    p_value = models.FloatField(help_text=_("Two-sided, of the differences by day."))

    class Meta:
        ordering = ["p_value", "pk"]
        constraints = [
            models.UniqueConstraint(
                fields=["judgement", "consumable"], name="line_drift_unique", violation_error_message=JUDGE_ANEW
            )
        ]

    def __str__(self) -> str:
        return f"{self.consumable}: {self.forecast_per_day:.1f} to {self.used_per_day:.1f} a day"
