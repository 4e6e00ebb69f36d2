"""Substitution cards: what may stand in for what while it is missing, in which way it differs, and who agreed."""

from django.conf import settings
from django.db import models
from django.db.models import F, Q
from django.utils.translation import gettext_lazy as _

from inventory.models.notes import about_stock_only


class Substitution(models.Model):
    """`stand_in` may be taken where `wanted` is missing, one way only, until the end of `until`, once it is agreed.

    Proposed by one person and agreed by another who is a clinician. Never acted on by the tool itself: shown where
    people pick and log. It holds only while the catalogue says of both lines what it said when it was proposed
    (`stated`). An answer or an early end is written once into its own fields.
    """

    department = models.ForeignKey("inventory.Department", on_delete=models.PROTECT, related_name="substitutions")
    wanted = models.ForeignKey("inventory.Consumable", on_delete=models.PROTECT, related_name="substituted_by")
    stand_in = models.ForeignKey("inventory.Consumable", on_delete=models.PROTECT, related_name="stands_in_for")
    differs_in_size = models.BooleanField(default=False)
    differs_in_connector = models.BooleanField(default=False)
    differs_in_latex = models.BooleanField(default=False)
    differs_in_single_use = models.BooleanField(default=False)
    differences = models.CharField(
        max_length=200, validators=[about_stock_only], help_text=_("In words, for who picks.")
    )
    stated = models.JSONField(
        default=dict, blank=True, help_text=_("What the catalogue said of both lines when the card was proposed.")
    )
    why = models.CharField(max_length=120, blank=True, validators=[about_stock_only])
    until = models.DateField(help_text=_("The last day on which it may stand in."))
    proposed_at = models.DateTimeField()
    proposed_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    agreed_at = models.DateTimeField(null=True, blank=True)
    agreed_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, null=True, blank=True, on_delete=models.PROTECT, related_name="substitutions_agreed"
    )
    ended_at = models.DateTimeField(null=True, blank=True, help_text=_("Refused, withdrawn or ended early."))
    ended_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, null=True, blank=True, on_delete=models.PROTECT, related_name="+"
    )
    ending_note = models.CharField(max_length=120, blank=True, validators=[about_stock_only])

    class Meta:
        ordering = ["-proposed_at", "-pk"]
        constraints = [
            models.CheckConstraint(
                condition=~Q(wanted=F("stand_in")),
                name="line_does_not_stand_in_for_itself",
                violation_error_message=_("A line cannot stand in for itself."),
            ),
            models.CheckConstraint(
                condition=~Q(differences=""),
                name="substitution_says_what_differs",
                violation_error_message=_("Say in words what differs: whoever picks has to know."),
            ),
            models.CheckConstraint(
                condition=Q(agreed_at__isnull=True, agreed_by__isnull=True)
                | Q(agreed_at__isnull=False, agreed_by__isnull=False),
                name="agreement_names_who_and_when",
                violation_error_message=_("An agreement names who agreed and when."),
            ),
            models.CheckConstraint(
                condition=Q(agreed_by__isnull=True) | ~Q(agreed_by=F("proposed_by")),
                name="another_person_agrees",
                violation_error_message=_("Whoever proposed it cannot agree to it as well."),
            ),
            models.CheckConstraint(
                condition=Q(ended_at__isnull=True, ended_by__isnull=True)
                | Q(ended_at__isnull=False, ended_by__isnull=False),
                name="ending_names_who_and_when",
                violation_error_message=_("An end names who ended it and when."),
            ),
            models.UniqueConstraint(
                fields=["wanted", "stand_in"],
                condition=Q(ended_at__isnull=True),
                name="substitution_open_once",
                violation_error_message=_("There is a card for this already: end it before you write another."),
            ),
        ]

    def __str__(self) -> str:
        return f"{self.stand_in} for {self.wanted}"
