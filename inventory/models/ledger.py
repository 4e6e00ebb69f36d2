"""The ledger: lots, movements that are never changed, and the balances they add up to."""

from datetime import date

from django.conf import settings
from django.db import models
from django.db.models import F, Q
from django.utils.translation import gettext_lazy as _

from ..querysets import HoldingQuerySet, LotQuerySet, MovementQuerySet
from ..scanning import PersonCode
from ..scanning.people import holds_a_glued_person, is_about_a_person


class Lot(models.Model):
    """A maker's batch of one consumable, with the last day on which it may be used."""

    consumable = models.ForeignKey("inventory.Consumable", on_delete=models.PROTECT, related_name="lots")
    number = models.CharField(max_length=60)
    expires_on = models.DateField(null=True, blank=True, help_text=_("Usable through the end of this day."))
    quarantined_at = models.DateTimeField(
        null=True, blank=True, help_text=_("Since when nobody may take from it: recalled, damaged or in doubt.")
    )

    objects = LotQuerySet.as_manager()

    class Meta:
        ordering = [F("expires_on").asc(nulls_last=True), "number"]
        constraints = [
            models.UniqueConstraint(
                fields=["consumable", "number"],
                name="lot_number_unique",
                violation_error_message=_("This line has a lot of that number already: choose that one."),
            )
        ]

    def __str__(self) -> str:
        return self.number

    def save(self, *args, **kwargs) -> None:
        """Raises PersonCode, as `LotQuerySet.bulk_create` does."""
        self.refuse_a_person()
        super().save(*args, **kwargs)

    def refuse_a_person(self) -> None:
        """Raise PersonCode where the number is a code about a person: the last guard, whoever makes the lot.

        Narrower than `holds_a_person`, which every typed number has passed: a lot that was scanned behind its item may
        begin as a person's number does.
        """
        if is_about_a_person(self.number) or holds_a_glued_person(self.number):
            raise PersonCode

    def is_usable(self, *, on: date) -> bool:
        """Whether a person may take from it on that day: the rule of LotQuerySet.usable for a lot at hand."""
        return self.quarantined_at is None and (self.expires_on is None or self.expires_on >= on)


class Movement(models.Model):
    """Pieces that went from one place to another. Written once; a database trigger refuses to change it.

    `key` makes a repeated submission harmless. Where one event moves several lots, its first movement has the
    event's key and the others the key with a number behind it. A correction is a new movement that `reverses` this.
    `quantity` counts all pieces that left; `opened_unused` says how many of them were opened and not needed.
    """

    class Kind(models.TextChoices):
        RECEIVE = "receive", _("received")
        MOVE = "move", _("moved")
        USE = "use", _("used")
        DISCARD = "discard", _("discarded")
        ADJUST = "adjust", _("count adjusted")
        RETURN = "return", _("returned to the supplier")
        MAKE_UP = "make_up", _("made up into a bundle")
        TAKE_APART = "take_apart", _("taken out of a bundle")
        REVERSE = "reverse", _("reversed")

    kind = models.CharField(max_length=20, choices=Kind)
    # Both begin an index below.
    source = models.ForeignKey(
        "inventory.Place", on_delete=models.PROTECT, related_name="movements_out", db_index=False
    )
    destination = models.ForeignKey(
        "inventory.Place", on_delete=models.PROTECT, related_name="movements_in", db_index=False
    )
    consumable = models.ForeignKey("inventory.Consumable", on_delete=models.PROTECT, related_name="movements")
    lot = models.ForeignKey(Lot, null=True, blank=True, on_delete=models.PROTECT, related_name="movements")
    quantity = models.PositiveIntegerField()
    opened_unused = models.PositiveIntegerField(default=0)
    by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="movements")
    at = models.DateTimeField(help_text=_("When it happened."))
    recorded_at = models.DateTimeField(auto_now_add=True, help_text=_("When we were told."))
    reason = models.CharField(max_length=80, blank=True)
    key = models.CharField(max_length=80, unique=True)
    reverses = models.OneToOneField("self", null=True, blank=True, on_delete=models.PROTECT, related_name="reversal")

    objects = MovementQuerySet.as_manager()

    class Meta:
        ordering = ["at", "pk"]
        indexes = [
            # Covering indexes: rebuilding the balances from a million rows reads these and not the table.
            models.Index(fields=["source", "consumable", "lot", "quantity"], name="movement_out"),
            models.Index(fields=["destination", "consumable", "lot", "quantity"], name="movement_in"),
            models.Index(fields=["at"], name="movement_at"),
        ]
        constraints = [
            models.CheckConstraint(
                condition=Q(quantity__gt=0),
                name="movement_quantity_positive",
                violation_error_message=_("A movement moves at least one piece."),
            ),
            models.CheckConstraint(
                condition=~Q(source=F("destination")),
                name="movement_goes_somewhere",
                violation_error_message=_("Source and destination are the same place."),
            ),
            models.CheckConstraint(
                condition=Q(opened_unused__lte=F("quantity")),
                name="opened_unused_within_quantity",
                violation_error_message=_("More pieces were opened unused than were taken."),
            ),
            models.CheckConstraint(
                condition=Q(opened_unused=0) | Q(kind__in=["use", "reverse"]),
                name="opened_unused_only_in_use",
                violation_error_message=_("Only a use can leave pieces opened and unused."),
            ),
            models.CheckConstraint(
                condition=Q(kind="reverse", reverses__isnull=False) | (~Q(kind="reverse") & Q(reverses__isnull=True)),
                name="reversal_names_its_movement",
                violation_error_message=_("A reversal names the movement that it reverses, and nothing else does."),
            ),
        ]

    def __str__(self) -> str:
        return f"{self.quantity} x {self.consumable} {self.source} -> {self.destination}"


class Holding(models.Model):
    """The materialised balance of one lot (or of pieces without a lot) at one place.

    Always equal to the sum of its movements: `manage.py check_ledger` proves it. On a cart a balance may fall below
    zero, when a logged use shows that the record was wrong: the fact is kept and a count is asked for.
    """

    # holding_unique begins with it.
    place = models.ForeignKey("inventory.Place", on_delete=models.PROTECT, related_name="holdings", db_index=False)
    consumable = models.ForeignKey("inventory.Consumable", on_delete=models.PROTECT, related_name="holdings")
    lot = models.ForeignKey(Lot, null=True, blank=True, on_delete=models.PROTECT, related_name="holdings")
    quantity = models.IntegerField(default=0)

    objects = HoldingQuerySet.as_manager()

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["place", "consumable", "lot"],
                name="holding_unique",
                violation_error_message=_("This place already has a balance of this lot."),
            ),
            # SQL's NULL is not equal to itself, so pieces without a lot need a rule of their own.
            models.UniqueConstraint(
                fields=["place", "consumable"],
                condition=Q(lot__isnull=True),
                name="holding_without_lot_unique",
                violation_error_message=_("This place already has a balance of this line without a lot."),
            ),
        ]

    def __str__(self) -> str:
        return f"{self.quantity} x {self.consumable} at {self.place}"

    @property
    def needs_count(self) -> bool:
        """True where the record cannot be right."""
        return self.quantity < 0 and not self.place.is_virtual
