"""What a refit of the learning found, kept so that a plan can use it without searching again and can explain itself.

Replaced as a whole by each refit (restock.learning.fitting). Nothing here is a fact: all of it can be found again from
the log.
"""

from django.db import models
from django.db.models import F, Q
from django.utils.translation import gettext_lazy as _

FIT_ANEW = _("What was learned contradicts itself: run manage.py learn --refit.")


class Fit(models.Model):
    """The newest refit of a department: when, by which method, and from what.

    The day effect was fitted on `evenings` evenings from `first_day` to `last_day` that were forecast as if they were
    still to come; with too few of them there are no days and no day effect.
    """

    department = models.OneToOneField("inventory.Department", on_delete=models.PROTECT, related_name="fit")
    method = models.CharField(max_length=40, help_text=_("Name and version of the forecasting method."))
    fitted_at = models.DateTimeField()
    records = models.PositiveBigIntegerField(help_text=_("Usage records in the tallies at that time."))
    evenings = models.PositiveSmallIntegerField(default=0)
    first_day = models.DateField(null=True)
    last_day = models.DateField(null=True)

    class Meta:
        constraints = [
            models.CheckConstraint(
                condition=Q(evenings=0, first_day=None, last_day=None)
                | Q(evenings__gt=0, first_day__lte=F("last_day")),
                name="fit_names_its_days",
                violation_error_message=_("A fit on past evenings names the first and the last of them."),
            )
        ]

    def __str__(self) -> str:
        return f"{self.department}: fitted {self.fitted_at:%Y-%m-%d}"


class LineWeights(models.Model):
    """How much each source counts for in one line: restock.forecasting.usage.Weights, for one line.

    by_room: the weights are for what rooms open in a day, not for what cases use.
    """

    fit = models.ForeignKey(Fit, on_delete=models.CASCADE, related_name="weights")
    consumable = models.ForeignKey("inventory.Consumable", null=True, on_delete=models.CASCADE, related_name="+")
    size_run = models.ForeignKey("inventory.SizeRun", null=True, on_delete=models.CASCADE, related_name="+")
    by_room = models.BooleanField(default=False)
    standard_share = models.FloatField()
    group_weight = models.FloatField(help_text=_("Cases."))
    mean_standard_share = models.FloatField()
    mean_weight = models.FloatField(help_text=_("Cases."))
    own_standard_share = models.FloatField()
    cell_weight = models.FloatField(help_text=_("Cases."))

    class Meta:
        verbose_name_plural = _("line weights")
        constraints = [
            models.UniqueConstraint(
                fields=["fit", "consumable", "by_room"],
                name="weights_of_consumable_unique",
                violation_error_message=FIT_ANEW,
            ),
            models.UniqueConstraint(
                fields=["fit", "size_run", "by_room"],
                name="weights_of_size_run_unique",
                violation_error_message=FIT_ANEW,
            ),
            models.CheckConstraint(
                condition=Q(consumable__isnull=False, size_run__isnull=True)
                | Q(consumable__isnull=True, size_run__isnull=False),
                name="weights_of_one_thing",
                violation_error_message=FIT_ANEW,
            ),
        ]

    def __str__(self) -> str:
        return f"{self.consumable or self.size_run}"


class DayEffect(models.Model):
    """A consumable whose use by the cases of one room-day moves together. Those without a row show no sign of it."""

    fit = models.ForeignKey(Fit, on_delete=models.CASCADE, related_name="day_effects")
    consumable = models.ForeignKey("inventory.Consumable", on_delete=models.CASCADE, related_name="+")
    sigma = models.FloatField(help_text=_("Log odds per piece, of one standard deviation of the day."))

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["fit", "consumable"], name="day_effect_unique", violation_error_message=FIT_ANEW
            ),
            models.CheckConstraint(
                condition=Q(sigma__gt=0), name="day_effect_is_one", violation_error_message=FIT_ANEW
            ),
        ]

    def __str__(self) -> str:
        return f"{self.consumable}: {self.sigma:g}"


class CaptureRate(models.Model):
    """What counts say of how completely the use of a consumable is logged. Pieces, over all places together.

    A span lies between two counts of one place that follow each other. `gone` left the place by count, `logged` by the
    log. The rate is Beta; `low` and `high` bound its central 95%.
    """

    fit = models.ForeignKey(Fit, on_delete=models.CASCADE, related_name="capture_rates")
    consumable = models.ForeignKey("inventory.Consumable", on_delete=models.CASCADE, related_name="+")
    spans = models.PositiveIntegerField()
    gone = models.PositiveIntegerField()
    logged = models.PositiveIntegerField()
    mean = models.FloatField()
    low = models.FloatField()
    high = models.FloatField()

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["fit", "consumable"], name="capture_rate_unique", violation_error_message=FIT_ANEW
            ),
            models.CheckConstraint(
                condition=Q(low__gte=0, low__lte=F("mean"), mean__lte=F("high"), high__lte=1),
                name="capture_rate_within_its_interval",
                violation_error_message=FIT_ANEW,
            ),
        ]

    def __str__(self) -> str:
        return f"{self.consumable}: {self.mean:.0%} logged"
