"""Recalls: which lots, where they are or may be, and what every place answered."""

from django.conf import settings
from django.db import models
from django.db.models import F, Q
from django.utils.translation import gettext_lazy as _

from .notes import about_stock_only


class Recall(models.Model):
    """A notice from a maker or an authority, or a drill that exercises the answer to one. Closed by a signature.

    The lots are those of its RecallLot rows; `all_lots` recalls the line whatever its lot. A drill touches no stock.
    """

    class Class(models.TextChoices):
        """Of the US Food and Drug Administration, 21 CFR 7.3(m)."""

        NOT_STATED = "", _("not stated")
        I = "I", _("class I")  # noqa: E741
        II = "II", _("class II")
        III = "III", _("class III")

    department = models.ForeignKey("inventory.Department", on_delete=models.PROTECT, related_name="recalls")
    consumable = models.ForeignKey("inventory.Consumable", on_delete=models.PROTECT, related_name="recalls")
    notice = models.CharField(max_length=120, help_text=_("The notice's own number or title."))
    recall_class = models.CharField(max_length=3, choices=Class, blank=True, default=Class.NOT_STATED)
    all_lots = models.BooleanField(default=False)
    lot_from = models.CharField(max_length=60, blank=True)
    lot_to = models.CharField(max_length=60, blank=True)
    barcode = models.CharField(max_length=80, blank=True, help_text=_("Of the supplier, where the notice names one."))
    drill = models.BooleanField(default=False)
    instruction = models.CharField(max_length=200, blank=True, validators=[about_stock_only])
    opened_at = models.DateTimeField()
    opened_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="recalls_opened")
    closed_at = models.DateTimeField(null=True, blank=True)
    closed_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, null=True, blank=True, on_delete=models.PROTECT, related_name="recalls_closed"
    )
    closing_note = models.CharField(max_length=200, blank=True, validators=[about_stock_only])
    withdrawn = models.BooleanField(
        default=False, help_text=_("Taken back by whoever gave the notice: its lots may be used again.")
    )

    class Meta:
        ordering = ["-opened_at", "-pk"]
        constraints = [
            models.CheckConstraint(
                condition=Q(withdrawn=False) | Q(closed_at__isnull=False),
                name="withdrawn_recall_is_closed",
                violation_error_message=_("A withdrawn recall is closed: somebody signs for that too."),
            ),
            models.CheckConstraint(
                condition=Q(closed_at__isnull=True, closed_by__isnull=True)
                | Q(closed_at__isnull=False, closed_by__isnull=False),
                name="closed_recall_is_signed",
                violation_error_message=_("A closed recall names who signed it and when."),
            ),
            models.CheckConstraint(
                condition=Q(closed_at__isnull=True) | Q(closed_at__gte=F("opened_at")),
                name="recall_closes_after_it_opened",
                violation_error_message=_("A recall cannot close before it was opened."),
            ),
        ]

    def __str__(self) -> str:
        return f"{self.notice}: {self.consumable}"


class RecallLot(models.Model):
    """A lot that a recall names, put out of reach by it unless it is a drill."""

    recall = models.ForeignKey(Recall, on_delete=models.CASCADE, related_name="lots")
    lot = models.ForeignKey("inventory.Lot", on_delete=models.PROTECT, related_name="recalls")
    quarantined = models.BooleanField(default=False, help_text=_("This recall put it out of reach."))
    released_at = models.DateTimeField(null=True, blank=True)
    released_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, null=True, blank=True, on_delete=models.PROTECT, related_name="+"
    )

    class Meta:
        ordering = ["recall", "lot__number"]
        constraints = [
            models.UniqueConstraint(
                fields=["recall", "lot"],
                name="recall_lot_unique",
                violation_error_message=_("This lot belongs to the recall already."),
            )
        ]

    def __str__(self) -> str:
        return f"{self.lot} of {self.recall}"


class RecallPlace(models.Model):
    """A place to search: pieces of the lots are recorded there, or it may hold some all the same."""

    class Why(models.TextChoices):
        RECORDED = "recorded", _("the lot is recorded here")
        BUNDLED = "bundled", _("it may be in a bundle here")
        NO_LOT = "no_lot", _("pieces without a lot are recorded here")
        WENT_THERE = "went_there", _("the lot once went there")
        KEEPS_LINE = "keeps_line", _("the place keeps this line")
        NAMED = "named", _("somebody named this place")

    recall = models.ForeignKey(Recall, on_delete=models.CASCADE, related_name="places")
    place = models.ForeignKey("inventory.Place", on_delete=models.PROTECT, related_name="recall_places")
    why = models.CharField(max_length=20, choices=Why)
    recorded_pieces = models.IntegerField(default=0, help_text=_("Of the recalled lots, when the recall was opened."))

    class Meta:
        ordering = ["recall", "place__walk_order", "place__code"]
        constraints = [
            models.UniqueConstraint(
                fields=["recall", "place"],
                name="recall_place_unique",
                violation_error_message=_("This place is asked already."),
            )
        ]

    def __str__(self) -> str:
        return f"{self.place} for {self.recall}"


class RecallAnswer(models.Model):
    """What somebody found at a place, none included. Written once; the newest answer of a place counts.

    `quarantined` pieces stay where they are or in quarantine, out of use; with `returned` to the supplier and
    `destroyed` they make up what was `found`.
    """

    recall_place = models.ForeignKey(RecallPlace, on_delete=models.PROTECT, related_name="answers")
    found = models.PositiveIntegerField()
    returned = models.PositiveIntegerField(default=0)
    destroyed = models.PositiveIntegerField(default=0)
    quarantined = models.PositiveIntegerField(default=0)
    note = models.CharField(max_length=200, blank=True, validators=[about_stock_only])
    by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="recall_answers")
    at = models.DateTimeField()
    key = models.CharField(max_length=80, unique=True)

    class Meta:
        ordering = ["at", "pk"]
        constraints = [
            models.CheckConstraint(
                condition=Q(found=F("returned") + F("destroyed") + F("quarantined")),
                name="recall_answer_adds_up",
                violation_error_message=_("Returned, destroyed and put aside must add up to what was found."),
            )
        ]

    def __str__(self) -> str:
        return f"{self.found} found at {self.recall_place}"


class Hold(models.Model):
    """A lot put out of reach, or back into use, by a person outside a recall: damaged, in doubt. Written once."""

    lot = models.ForeignKey("inventory.Lot", on_delete=models.PROTECT, related_name="holds")
    released = models.BooleanField(default=False)
    reason = models.CharField(max_length=120, validators=[about_stock_only])
    by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="holds")
    at = models.DateTimeField()
    key = models.CharField(max_length=80, unique=True)

    class Meta:
        ordering = ["-at", "-pk"]
        constraints = [
            models.CheckConstraint(
                condition=~Q(reason=""),
                name="hold_has_a_reason",
                violation_error_message=_("Say why: the next person will ask."),
            )
        ]

    def __str__(self) -> str:
        return f"{self.lot} {'released' if self.released else 'put aside'}"
