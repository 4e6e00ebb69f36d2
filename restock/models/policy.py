"""What a department decides for itself: service levels, how targets are set, how fast old practice fades."""

from django.db import models
from django.db.models import Q
from django.utils.translation import gettext_lazy as _

from inventory.models import Criticality, Department


class Policy(models.Model):
    """One department's settings for forecast and plan. Every default is a starting point, not a recommendation."""

    class Target(models.TextChoices):
        GREATER_OF_BOTH = "greater_of_both", _("the greater of par and tomorrow's need")
        PAR_ONLY = "par_only", _("par only")
        TOMORROW_ONLY = "tomorrow_only", _("tomorrow's need only")

    class CuffedTube(models.TextChoices):
        """Sources disagree on the cuffed tube, so the department chooses; neighbours are always shown."""

        PLUS_3_5 = "3.5", _("age / 4 + 3.5 mm")
        PLUS_3 = "3.0", _("age / 4 + 3 mm")

    department = models.OneToOneField("inventory.Department", on_delete=models.PROTECT, related_name="policy")
    target = models.CharField(max_length=20, choices=Target, default=Target.GREATER_OF_BOTH)
    service_never_out = models.FloatField(
        default=0.995, help_text=_("Share of days on which a never-out line should last, from 0 to 1.")
    )
    service_routine = models.FloatField(
        default=0.95, help_text=_("Share of days on which a routine line should last, from 0 to 1.")
    )
    weight_never_out = models.FloatField(
        default=5.0, help_text=_("How much worse one missing never-out piece is than one missing routine piece.")
    )
    half_life_days = models.PositiveIntegerField(
        default=90, help_text=_("After this many days a logged case counts half.")
    )
    expiry_warning_days = models.PositiveIntegerField(default=30)
    short_dated_days = models.PositiveIntegerField(
        default=90, help_text=_("A pack that arrives with fewer days left is short-dated. A starting point.")
    )
    short_dated_share = models.FloatField(
        null=True,
        blank=True,
        help_text=_("Or with less than this share of its line's usual shelf life, from 0 to 1. Empty: days alone."),
    )
    cuffed_tube = models.CharField(max_length=4, choices=CuffedTube, default=CuffedTube.PLUS_3_5)

    # What advice weighs against each other, in missing routine pieces. The defaults are assumptions, not measured.
    handling_per_piece = models.FloatField(
        default=0.01, help_text=_("Moving one piece costs as much as so many missing routine pieces. An assumption.")
    )
    handling_per_walk = models.FloatField(
        default=0.1, help_text=_("Walking from one place to another costs as much as so many of them. An assumption.")
    )
    wasted_piece = models.FloatField(
        default=0.2, help_text=_("A piece that goes out of date unused is as bad as so many of them. An assumption.")
    )
    idle_piece = models.FloatField(
        default=0.03,
        help_text=_("A piece that lies on a cart for nothing is as bad as so many of them. An assumption."),
    )
    neighbour_steps = models.PositiveSmallIntegerField(
        default=1, help_text=_("Sizes so many steps away in a size run are looked at as stand-ins. A person decides.")
    )

    count_minutes = models.PositiveSmallIntegerField(
        default=10, help_text=_("Minutes a day for counting the lines whose record is least to be relied on.")
    )
    recount_pieces = models.PositiveSmallIntegerField(
        default=3,
        help_text=_("A count that differs by so many pieces, and by the share below, is taken a second time."),
    )
    recount_share = models.FloatField(
        default=0.2, help_text=_("The share of what is on record or was counted, whichever is more, from 0 to 1.")
    )

    class Meta:
        verbose_name_plural = _("policies")
        constraints = [
            models.CheckConstraint(
                condition=Q(service_never_out__gt=0, service_never_out__lt=1),
                name="service_never_out_is_a_share",
                violation_error_code="service_never_out",
                violation_error_message=_("A service level lies between 0 and 1, both left out: 0.995, not 99.5."),
            ),
            models.CheckConstraint(
                condition=Q(service_routine__gt=0, service_routine__lt=1),
                name="service_routine_is_a_share",
                violation_error_code="service_routine",
                violation_error_message=_("A service level lies between 0 and 1, both left out: 0.95, not 95."),
            ),
            models.CheckConstraint(
                condition=Q(weight_never_out__gte=1),
                name="never_out_weighs_at_least_one",
                violation_error_code="weight_never_out",
                violation_error_message=_("A never-out piece cannot weigh less than a routine one."),
            ),
            models.CheckConstraint(
                condition=Q(short_dated_share__isnull=True) | Q(short_dated_share__gt=0, short_dated_share__lt=1),
                name="short_dated_is_a_share",
                violation_error_code="short_dated_share",
                violation_error_message=_("A share of the shelf life lies between 0 and 1: 0.25, not 25."),
            ),
            models.CheckConstraint(
                condition=Q(half_life_days__gte=1),
                name="half_life_at_least_a_day",
                violation_error_code="half_life_days",
                violation_error_message=_("The half-life is at least one day."),
            ),
            models.CheckConstraint(
                condition=Q(recount_share__gte=0, recount_share__lte=1),
                name="recount_share_is_a_share",
                violation_error_code="recount_share",
                violation_error_message=_("A share lies between 0 and 1: 0.2, not 20."),
            ),
            models.CheckConstraint(
                condition=Q(
                    handling_per_piece__gte=0, handling_per_walk__gte=0, wasted_piece__gte=0, idle_piece__gte=0
                ),
                name="costs_of_advice_not_negative",
                violation_error_code="handling_per_piece",
                violation_error_message=_("A cost is 0 or more, counted in missing routine pieces."),
            ),
        ]

    def __str__(self) -> str:
        return f"policy of {self.department}"

    def service_level(self, criticality: str) -> float:
        """Share of days on which a line of this criticality should last."""
        return self.service_never_out if criticality == Criticality.NEVER_OUT else self.service_routine

    def weight(self, criticality: str) -> float:
        """Weight of one missing piece in the division of scarce stock."""
        return self.weight_never_out if criticality == Criticality.NEVER_OUT else 1.0


def policy_of(department: Department) -> Policy:
    """The department's policy; the defaults, unsaved, where it never chose."""
    return Policy.objects.filter(department=department).first() or Policy(department=department)
