"""What a supervisor did about stock that hurts or may hurt: each act kept with who, when and why."""

from django.conf import settings
from django.db import models
from django.db.models import F, Q
from django.utils.translation import gettext_lazy as _

from .notes import about_stock_only


class ParChange(models.Model):
    """A par was changed on purpose. Written once; the stocking line itself holds the par that counts."""

    class Origin(models.TextChoices):
        BY_HAND = "by_hand", _("by hand")
        SHORTAGE = "shortage", _("because of a shortage")
        ADVICE = "advice", _("on advice")

    place = models.ForeignKey("inventory.Place", on_delete=models.PROTECT, related_name="par_changes")
    consumable = models.ForeignKey("inventory.Consumable", on_delete=models.PROTECT, related_name="par_changes")
    par_before = models.PositiveIntegerField()
    par_after = models.PositiveIntegerField()
    origin = models.CharField(max_length=20, choices=Origin)
    reason = models.CharField(max_length=200)
    by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="par_changes")
    at = models.DateTimeField()

    class Meta:
        ordering = ["-at", "-pk"]
        indexes = [models.Index(fields=["place", "consumable"], name="par_change_of_line")]
        constraints = [
            models.CheckConstraint(
                condition=~Q(par_before=F("par_after")),
                name="par_change_changes_par",
                violation_error_message=_("This is the par already."),
            ),
            models.CheckConstraint(
                condition=~Q(reason=""),
                name="par_change_has_a_reason",
                violation_error_message=_("Say why the par changes: somebody will ask."),
            ),
        ]

    def __str__(self) -> str:
        return f"{self.consumable} at {self.place}: par {self.par_before} to {self.par_after}"


class ShortageAction(models.Model):
    """What somebody did about a line that stays short. Written once; taken back by a further row that `undoes` it.

    A move is found in the ledger under the same `key`. An order is a note that pieces are on their way, not the order.
    """

    class Kind(models.TextChoices):
        MOVED = "moved", _("moved from another place")
        PAR = "par", _("par changed")
        ACCEPTED = "accepted", _("accepted as it is")
        ORDERED = "ordered", _("marked as ordered")

    place = models.ForeignKey("inventory.Place", on_delete=models.PROTECT, related_name="shortage_actions")
    consumable = models.ForeignKey("inventory.Consumable", on_delete=models.PROTECT, related_name="shortage_actions")
    for_date = models.DateField(help_text=_("The day that was to be covered."))
    kind = models.CharField(max_length=20, choices=Kind)
    pieces = models.PositiveIntegerField(null=True, blank=True, help_text=_("Moved or ordered."))
    source = models.ForeignKey(
        "inventory.Place", null=True, blank=True, on_delete=models.PROTECT, related_name="helped_out"
    )
    par_change = models.OneToOneField(
        ParChange, null=True, blank=True, on_delete=models.PROTECT, related_name="shortage_action"
    )
    expected_on = models.DateField(null=True, blank=True)
    note = models.CharField(max_length=200, blank=True, validators=[about_stock_only])
    by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="shortage_actions")
    at = models.DateTimeField()
    key = models.CharField(max_length=50, unique=True)
    undoes = models.OneToOneField("self", null=True, blank=True, on_delete=models.PROTECT, related_name="undone_by")

    class Meta:
        ordering = ["-at", "-pk"]
        indexes = [models.Index(fields=["place", "consumable", "for_date"], name="shortage_action_of_line")]
        constraints = [
            models.CheckConstraint(
                condition=Q(kind="moved", source__isnull=False, pieces__gt=0)
                | (~Q(kind="moved") & Q(source__isnull=True)),
                name="move_names_source_and_pieces",
                violation_error_message=_("Say from where pieces were moved, and how many: at least one."),
            ),
            models.CheckConstraint(
                condition=Q(kind="ordered", expected_on__isnull=False, pieces__gt=0)
                | (~Q(kind="ordered") & Q(expected_on__isnull=True)),
                name="order_names_pieces_and_day",
                violation_error_message=_("Say how many pieces were ordered and when they are expected."),
            ),
            models.CheckConstraint(
                condition=Q(kind="par", par_change__isnull=False) | (~Q(kind="par") & Q(par_change__isnull=True)),
                name="par_action_names_its_change",
                violation_error_message=_("An act on a par names the change, and no other does."),
            ),
            models.CheckConstraint(
                condition=~Q(kind="accepted") | ~Q(note=""),
                name="acceptance_has_a_note",
                violation_error_message=_("Say why it is accepted: the next shift will ask."),
            ),
        ]

    def __str__(self) -> str:
        return f"{self.consumable} at {self.place}: {self.get_kind_display()}"
