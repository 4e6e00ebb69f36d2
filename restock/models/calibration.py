"""How well each kind of line was forecast on the department's own log, and what follows for the next plan."""

from django.db import models
from django.db.models import F, Q
from django.utils.translation import gettext_lazy as _

JUDGE_ANEW = _("What was judged contradicts itself: judge the forecast anew.")


class Calibration(models.Model):
    """The newest judgement of one kind of line (a category of the catalogue).

    Gaps are observed coverage minus the model's own, as shares: -0.02 means that two days in a hundred more ran short
    than was said. `pit` holds the share of the probability integral transform below 1/n, 2/n, ... 1.
    """

    department = models.ForeignKey("inventory.Department", on_delete=models.PROTECT, related_name="calibrations")
    kind = models.CharField(max_length=80, blank=True)
    first_day = models.DateField()
    last_day = models.DateField()
    rows = models.PositiveIntegerField(help_text=_("Lines and evenings judged."))
    gap_90 = models.FloatField()
    gap_95 = models.FloatField()
    gap_99 = models.FloatField()
    passed = models.BooleanField(help_text=_("False: its lines are widened until a later judgement passes."))
    pit = models.JSONField(default=list)
    judged_at = models.DateTimeField()

    class Meta:
        ordering = ["kind"]
        constraints = [
            models.UniqueConstraint(
                fields=["department", "kind"], name="calibration_of_kind_unique", violation_error_message=JUDGE_ANEW
            ),
            models.CheckConstraint(
                condition=Q(first_day__lte=F("last_day")),
                name="calibration_days_in_order",
                violation_error_message=_("The first day lies after the last."),
            ),
        ]

    def __str__(self) -> str:
        return f"{self.kind}: {'passed' if self.passed else 'widened'}"
