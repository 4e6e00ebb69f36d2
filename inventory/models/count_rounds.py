"""Rounds of counting: which lines to count, what was counted blind, of which lot, and why it differed."""

from django.conf import settings
from django.db import models
from django.db.models import F, Q
from django.utils.translation import gettext_lazy as _

from .notes import about_stock_only


class CountRound(models.Model):
    """Lines to count in one go: the day's ten minutes, or all of one place. `finished_at` is empty while it runs."""

    class Kind(models.TextChoices):
        DAILY = "daily", _("the day's lines")
        WHOLE_PLACE = "whole_place", _("all of one place")

    department = models.ForeignKey("inventory.Department", on_delete=models.PROTECT, related_name="count_rounds")
    kind = models.CharField(max_length=20, choices=Kind)
    place = models.ForeignKey(
        "inventory.Place", null=True, blank=True, on_delete=models.PROTECT, related_name="count_rounds"
    )
    for_date = models.DateField()
    made_at = models.DateTimeField()
    made_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="count_rounds")
    finished_at = models.DateTimeField(null=True, blank=True)

    class Meta:
        ordering = ["-made_at", "-pk"]
        constraints = [
            models.CheckConstraint(
                condition=~Q(kind="whole_place") | Q(place__isnull=False),
                name="whole_place_count_names_the_place",
                violation_error_message=_("A count of a whole place names the place."),
            )
        ]

    def __str__(self) -> str:
        return f"count of {self.for_date}"


class CountTask(models.Model):
    """One line to count. Whoever counts does not see what is expected.

    The first figure is kept as it was said; where it differs too much a second is asked for, and only the last one
    goes to the ledger as `count`. `expected` is the ledger's figure at the first count.
    """

    class Why(models.TextChoices):
        BELOW_ZERO = "below_zero", _("recorded below zero")
        FOUND_WRONG = "found_wrong", _("its record was found wrong")
        DRIFT = "drift", _("its record drifts")
        CRITICAL = "critical", _("never to be out")
        VALUE = "value", _("worth much")
        AGE = "age", _("not counted for long")
        NEVER_MOVES = "never_moves", _("does not move")
        ASKED = "asked", _("asked for by a person")
        WHOLE_PLACE = "whole_place", _("all of this place is counted")

    class Cause(models.TextChoices):
        NOT_LOGGED = "not_logged", _("use was not logged")
        NOT_RECORDED = "not_recorded", _("moved or filled without a record")
        WRONG_RECORD = "wrong_record", _("recorded wrongly before")
        LOST = "lost", _("lost or thrown away")
        UNKNOWN = "unknown", _("not known")

    round = models.ForeignKey(CountRound, on_delete=models.CASCADE, related_name="tasks")
    place = models.ForeignKey("inventory.Place", on_delete=models.PROTECT, related_name="count_tasks")
    consumable = models.ForeignKey("inventory.Consumable", on_delete=models.PROTECT, related_name="count_tasks")
    position = models.PositiveIntegerField(help_text=_("Its place on the walk."))
    why = models.CharField(max_length=20, choices=Why)
    expected = models.IntegerField(null=True, blank=True)
    first_counted = models.PositiveIntegerField(null=True, blank=True)
    first_at = models.DateTimeField(null=True, blank=True)
    first_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, null=True, blank=True, on_delete=models.PROTECT, related_name="+"
    )
    second_counted = models.PositiveIntegerField(null=True, blank=True)
    cause = models.CharField(max_length=20, choices=Cause, blank=True)
    note = models.CharField(max_length=80, blank=True, validators=[about_stock_only])
    count = models.OneToOneField(
        "inventory.Count", null=True, blank=True, on_delete=models.PROTECT, related_name="task"
    )

    class Meta:
        ordering = ["round", "position", "pk"]
        constraints = [
            models.UniqueConstraint(
                fields=["round", "place", "consumable"],
                name="count_task_unique",
                violation_error_message=_("This line is on this count already."),
            ),
            models.CheckConstraint(
                condition=Q(
                    first_counted__isnull=True, first_at__isnull=True, first_by__isnull=True, expected__isnull=True
                )
                | Q(
                    first_counted__isnull=False, first_at__isnull=False, first_by__isnull=False, expected__isnull=False
                ),
                name="first_count_is_whole",
                violation_error_message=_("A count says what, when, by whom and against what."),
            ),
            models.CheckConstraint(
                condition=Q(second_counted__isnull=True) | Q(first_counted__isnull=False),
                name="second_count_follows_a_first",
                violation_error_message=_("A second count follows a first one."),
            ),
            models.CheckConstraint(
                condition=Q(count__isnull=True) | Q(first_counted__isnull=False),
                name="settled_count_was_counted",
                violation_error_message=_("Only what was counted goes to the ledger."),
            ),
        ]

    def __str__(self) -> str:
        return f"count {self.consumable} at {self.place}"


class CountedLot(models.Model):
    """Pieces of one lot that a person counted at one look; `lot` is empty for those whose lot nobody can read.

    `expected` is the ledger's figure at that look, which may lie below zero.
    """

    class Look(models.IntegerChoices):
        FIRST = 1, _("first count")
        SECOND = 2, _("second count")

    task = models.ForeignKey(CountTask, on_delete=models.CASCADE, related_name="lots")
    look = models.PositiveSmallIntegerField(choices=Look)
    lot = models.ForeignKey("inventory.Lot", null=True, blank=True, on_delete=models.PROTECT, related_name="+")
    counted = models.PositiveIntegerField()
    expected = models.IntegerField()

    class Meta:
        ordering = ["task", "look", F("lot__expires_on").asc(nulls_last=True), F("lot__number").asc(nulls_last=True)]
        constraints = [
            models.UniqueConstraint(
                fields=["task", "look", "lot"],
                name="counted_lot_unique",
                violation_error_message=_("This lot was counted already."),
            ),
            # SQL's NULL is not equal to itself, so pieces without a lot need a rule of their own.
            models.UniqueConstraint(
                fields=["task", "look"],
                condition=Q(lot__isnull=True),
                name="counted_without_lot_unique",
                violation_error_message=_("Pieces without a lot were counted already."),
            ),
        ]

    def __str__(self) -> str:
        return f"{self.counted} of lot {self.lot or '-'}"

    @property
    def variance(self) -> int:
        """Pieces of the lot more (or, negative, fewer) than on record."""
        return self.counted - self.expected
