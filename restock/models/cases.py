"""A case is a slot, never a patient.

What stays of a booked case: date, room, order, start, case type, technique, size class, booked extras, urgency and
status. No age, weight, sex, name, number, surgeon or free text is a field here, and none may become one.
"""

from django.db import models
from django.db.models import F, Q
from django.db.models.functions import Coalesce
from django.utils.translation import gettext_lazy as _

from inventory.models import Basis
from inventory.models.places import CODE_TAKEN


class SizeClass(models.Model):
    """A department's own class of body size, used for choosing sizes and for nothing else.

    Ages are bounds in days, lower included and upper left out; an empty bound is open.
    """

    class Sex(models.TextChoices):
        FEMALE = "female", _("female")
        MALE = "male", _("male")

    department = models.ForeignKey("inventory.Department", on_delete=models.PROTECT, related_name="size_classes")
    code = models.SlugField()
    name = models.CharField(max_length=80)
    age_days_from = models.PositiveIntegerField(null=True, blank=True)
    age_days_below = models.PositiveIntegerField(null=True, blank=True)
    sex = models.CharField(max_length=10, choices=Sex, blank=True)
    is_default = models.BooleanField(default=False, help_text=_("Taken where a list says nothing about size."))
    position = models.PositiveSmallIntegerField(default=0)

    class Meta:
        ordering = ["position", "code"]
        verbose_name_plural = _("size classes")
        constraints = [
            models.UniqueConstraint(
                fields=["department", "code"], name="size_class_code_unique", violation_error_message=CODE_TAKEN
            ),
            models.UniqueConstraint(
                fields=["department"],
                condition=Q(is_default=True),
                name="one_default_size_class",
                violation_error_code="is_default",
                violation_error_message=_("Another size class is already the default."),
            ),
            models.CheckConstraint(
                condition=Q(age_days_from__isnull=True)
                | Q(age_days_below__isnull=True)
                | Q(age_days_from__lt=F("age_days_below")),
                name="size_class_ages_in_order",
                violation_error_code="age_days_below",
                violation_error_message=_("The lower age must lie below the upper one."),
            ),
        ]

    def __str__(self) -> str:
        return self.name


class Technique(models.Model):
    department = models.ForeignKey("inventory.Department", on_delete=models.PROTECT, related_name="techniques")
    code = models.SlugField(max_length=80)
    name = models.CharField(max_length=120)

    class Meta:
        ordering = ["name"]
        constraints = [
            models.UniqueConstraint(
                fields=["department", "code"], name="technique_code_unique", violation_error_message=CODE_TAKEN
            )
        ]

    def __str__(self) -> str:
        return self.name


class CaseType(models.Model):
    department = models.ForeignKey("inventory.Department", on_delete=models.PROTECT, related_name="case_types")
    code = models.CharField(max_length=40)
    name = models.CharField(max_length=160)
    specialty = models.CharField(max_length=80, blank=True)
    technique = models.ForeignKey(Technique, on_delete=models.PROTECT, related_name="case_types")
    typical_minutes = models.PositiveSmallIntegerField(null=True, blank=True)

    class Meta:
        ordering = ["specialty", "name"]
        constraints = [
            models.UniqueConstraint(
                fields=["department", "code"], name="case_type_code_unique", violation_error_message=CODE_TAKEN
            )
        ]

    def __str__(self) -> str:
        return self.name


class Extra(models.Model):
    """Something booked beside the case type: an arterial line set, a fluid warming set, a standby."""

    department = models.ForeignKey("inventory.Department", on_delete=models.PROTECT, related_name="extras")
    code = models.SlugField()
    name = models.CharField(max_length=120)

    class Meta:
        ordering = ["name"]
        constraints = [
            models.UniqueConstraint(
                fields=["department", "code"], name="extra_code_unique", violation_error_message=CODE_TAKEN
            )
        ]

    def __str__(self) -> str:
        return self.name


class SetupStandardQuerySet(models.QuerySet):
    def in_department(self, department):
        """Its rows, whether they are for a case type, an extra or a size class."""
        own = Q(case_type__department=department) | Q(extra__department=department)
        return self.filter(own | Q(size_class__department=department)).order_by("pk")


class SetupStandard(models.Model):
    """One row of a set-up standard: what is laid out, for which cases, how likely opened, how many pieces then.

    A row is for a case type, or for a booked extra, or for both together; a size class narrows it. It names a
    consumable, or a whole size run whose size the size class then chooses. A row for a size class alone is a sizing
    rule: of the pieces of a run that such cases use, the share `probability` is of this size.
    """

    case_type = models.ForeignKey(
        CaseType, null=True, blank=True, on_delete=models.PROTECT, related_name="setup_standards"
    )
    size_class = models.ForeignKey(
        SizeClass, null=True, blank=True, on_delete=models.PROTECT, related_name="setup_standards"
    )
    extra = models.ForeignKey(Extra, null=True, blank=True, on_delete=models.PROTECT, related_name="setup_standards")
    consumable = models.ForeignKey(
        "inventory.Consumable", null=True, blank=True, on_delete=models.PROTECT, related_name="setup_standards"
    )
    size_run = models.ForeignKey(
        "inventory.SizeRun", null=True, blank=True, on_delete=models.PROTECT, related_name="setup_standards"
    )
    probability = models.FloatField(default=1.0, help_text=_("How often it is opened, from 0 to 1."))
    quantity = models.FloatField(default=1.0, help_text=_("Pieces on average when it is opened."))
    basis = models.CharField(
        max_length=20,
        choices=[(b.value, b.label) for b in (Basis.PER_CASE, Basis.PER_ROOM_DAY, Basis.PER_ROOM_WEEK)],
        default=Basis.PER_CASE,
    )

    objects = SetupStandardQuerySet.as_manager()

    class Meta:
        ordering = ["case_type", "extra", "consumable"]
        constraints = [
            # SQL's NULL is not equal to itself, so what is left open counts as 0 here.
            models.UniqueConstraint(
                *(Coalesce(f, 0) for f in ("case_type", "size_class", "extra", "consumable", "size_run")),
                name="setup_row_unique",
                violation_error_code="consumable",
                violation_error_message=_("This set-up standard already has a row for that."),
            ),
            models.CheckConstraint(
                condition=Q(case_type__isnull=False)
                | Q(extra__isnull=False)
                | Q(size_class__isnull=False, consumable__isnull=False),
                name="setup_is_for_something",
                violation_error_code="case_type",
                violation_error_message=_(
                    "Say for which case type or booked extra this is laid out, "
                    "or for which size class this size is the usual one."
                ),
            ),
            models.CheckConstraint(
                condition=Q(consumable__isnull=False, size_run__isnull=True)
                | Q(consumable__isnull=True, size_run__isnull=False),
                name="setup_names_one_thing",
                violation_error_code="consumable",
                violation_error_message=_("Name one consumable or one size run, not both and not neither."),
            ),
            models.CheckConstraint(
                condition=Q(probability__gt=0, probability__lte=1),
                name="setup_probability_is_a_share",
                violation_error_code="probability",
                violation_error_message=_("The probability lies above 0 and at most at 1: 0.7, not 70."),
            ),
            models.CheckConstraint(
                condition=Q(quantity__gt=0),
                name="setup_quantity_positive",
                violation_error_code="quantity",
                violation_error_message=_("The quantity when opened is more than 0."),
            ),
        ]

    def __str__(self) -> str:
        return f"{self.case_type or self.extra or self.size_class}: {self.consumable or self.size_run}"


class Case(models.Model):
    """One slot of a room's day."""

    class Urgency(models.TextChoices):
        ELECTIVE = "elective", _("elective")
        URGENT = "urgent", _("urgent")
        EMERGENCY = "emergency", _("emergency")

    class Status(models.TextChoices):
        SCHEDULED = "scheduled", _("scheduled")
        CANCELLED = "cancelled", _("cancelled")
        DONE = "done", _("done")
        ADDED = "added", _("added on the day")

    department = models.ForeignKey("inventory.Department", on_delete=models.PROTECT, related_name="cases")
    date = models.DateField()
    room = models.ForeignKey("inventory.Room", on_delete=models.PROTECT, related_name="cases")
    order = models.PositiveSmallIntegerField(help_text=_("Its place in the room's list, from 1."))
    starts_at = models.TimeField(null=True, blank=True, help_text=_("Booked start, local time."))
    case_type = models.ForeignKey(CaseType, on_delete=models.PROTECT, related_name="cases")
    technique = models.ForeignKey(Technique, on_delete=models.PROTECT, related_name="cases")
    size_class = models.ForeignKey(SizeClass, on_delete=models.PROTECT, related_name="cases")
    extras = models.ManyToManyField(Extra, blank=True, related_name="cases")
    urgency = models.CharField(max_length=20, choices=Urgency, default=Urgency.ELECTIVE)
    status = models.CharField(max_length=20, choices=Status, default=Status.SCHEDULED)
    added_on_the_day = models.BooleanField(default=False, help_text=_("Was not on the list of the evening before."))
    booking_hash = models.CharField(
        max_length=64,
        blank=True,
        help_text=_("Keyed hash of a booking reference, so that a later list finds the slot."),
    )
    logged_at = models.DateTimeField(null=True, blank=True, help_text=_("When its use was first logged."))
    tallied = models.BooleanField(
        default=False, editable=False, help_text=_("It counts in the tallies of what was learned.")
    )

    class Meta:
        ordering = ["date", "room", "order"]
        indexes = [models.Index(fields=["department", "date"], name="case_by_day")]
        constraints = [
            models.UniqueConstraint(
                fields=["department", "booking_hash"],
                condition=~Q(booking_hash=""),
                name="booking_unique",
                violation_error_message=_("This booking is already on a list."),
            ),
            models.UniqueConstraint(
                fields=["room", "date", "order"],
                condition=Q(booking_hash="") & ~Q(status="cancelled"),
                name="slot_unique",
                violation_error_message=_("This room already has a case with this place in its list."),
            ),
        ]

    def __str__(self) -> str:
        return f"{self.date} {self.room} {self.order}"
