"""Where things are: departments, rooms, carts and storerooms, and what each of them keeps in which bin."""

import zoneinfo
from datetime import date, datetime

from django.core.exceptions import ValidationError
from django.db import models
from django.db.models import F, Q
from django.utils.translation import gettext_lazy as _

from ..querysets import PlaceQuerySet, StockingLineQuerySet

CODE_TAKEN = _("Another one here has this already: choose another.")


def known_time_zone(name: str) -> None:
    if name not in zoneinfo.available_timezones():
        raise ValidationError(
            _("%(name)s is not a time zone: write it as Europe/London or America/Chicago."), params={"name": name}
        )


class Department(models.Model):
    """The root that owns everything else. Its local date decides which day "tomorrow" is."""

    code = models.SlugField(unique=True)
    name = models.CharField(max_length=120)
    time_zone = models.CharField(max_length=64, default="UTC", validators=[known_time_zone])

    class Meta:
        ordering = ["code"]

    def __str__(self) -> str:
        return self.name

    @property
    def zone(self) -> zoneinfo.ZoneInfo:
        """The rules by which the department's clocks go."""
        return zoneinfo.ZoneInfo(self.time_zone)

    def local_time(self, at: datetime) -> datetime:
        """The instant `at` (aware) as the department's clocks show it."""
        return at.astimezone(self.zone)

    def local_date(self, at: datetime) -> date:
        """The department's calendar date at the instant `at` (aware)."""
        return self.local_time(at).date()

    def local_midnight(self, day: date) -> datetime:
        """The instant at which the department's `day` begins."""
        return datetime.combine(day, datetime.min.time(), self.zone)


class Room(models.Model):
    """A place where people are anaesthetised: an operating room, or a room elsewhere in the hospital."""

    class Kind(models.TextChoices):
        OPERATING = "operating", _("operating room")
        OBSTETRIC = "obstetric", _("obstetric room")
        OFF_SITE = "off_site", _("off-site room")

    department = models.ForeignKey(Department, on_delete=models.PROTECT, related_name="rooms")
    code = models.CharField(max_length=40)
    name = models.CharField(max_length=120)
    kind = models.CharField(max_length=20, choices=Kind, default=Kind.OPERATING)
    walk_order = models.PositiveIntegerField(default=0, help_text=_("The order in which the evening round passes."))

    class Meta:
        ordering = ["walk_order", "code"]
        constraints = [
            models.UniqueConstraint(
                fields=["department", "code"], name="room_code_unique", violation_error_message=CODE_TAKEN
            )
        ]

    def __str__(self) -> str:
        return self.code


class CartKind(models.Model):
    """A department's own kinds of cart: room cart, paediatric, difficult airway, ..."""

    department = models.ForeignKey(Department, on_delete=models.PROTECT, related_name="cart_kinds")
    code = models.SlugField()
    name = models.CharField(max_length=80)

    class Meta:
        ordering = ["name"]
        constraints = [
            models.UniqueConstraint(
                fields=["department", "code"], name="cart_kind_code_unique", violation_error_message=CODE_TAKEN
            )
        ]

    def __str__(self) -> str:
        return self.name


class Place(models.Model):
    """Anything that pieces can be in: a cart, a storeroom, or one of the ledger's virtual places.

    The virtual places make the ledger double-entry: pieces come from `supplier`, leave to `used` or `discarded`,
    a count that differs moves the difference from or to `count_variance`, and pieces become bundles in `assembly`.
    """

    class Role(models.TextChoices):
        CART = "cart", _("cart")
        STOREROOM = "storeroom", _("storeroom")
        SUPPLIER = "supplier", _("supplier")
        USED = "used", _("used")
        DISCARDED = "discarded", _("discarded")
        COUNT_VARIANCE = "count_variance", _("count variance")
        ASSEMBLY = "assembly", _("assembly")

    VIRTUAL = (Role.SUPPLIER, Role.USED, Role.DISCARDED, Role.COUNT_VARIANCE, Role.ASSEMBLY)

    department = models.ForeignKey(Department, on_delete=models.PROTECT, related_name="places")
    code = models.CharField(max_length=40)
    name = models.CharField(max_length=120)
    role = models.CharField(max_length=20, choices=Role)
    kind = models.ForeignKey(CartKind, null=True, blank=True, on_delete=models.PROTECT, related_name="carts")
    room = models.ForeignKey(
        Room, null=True, blank=True, on_delete=models.PROTECT, related_name="parked",
        help_text=_("Where the cart is parked. Empty for a cart that is fetched."),
    )  # fmt: skip
    serves = models.ManyToManyField(
        Room, blank=True, related_name="served_by", help_text=_("For a shared cart: the rooms that fetch from it.")
    )
    restocked_from = models.ForeignKey(
        "self", null=True, blank=True, on_delete=models.PROTECT, related_name="restocks",
        help_text=_("The storeroom that fills this cart first. Other storerooms follow in their order."),
    )  # fmt: skip
    walk_order = models.PositiveIntegerField(default=0)
    sealed = models.BooleanField(
        default=False, help_text=_("Kept closed under a numbered seal until it is needed, and checked by a person.")
    )

    objects = PlaceQuerySet.as_manager()

    class Meta:
        ordering = ["walk_order", "code"]
        constraints = [
            models.UniqueConstraint(
                fields=["department", "code"], name="place_code_unique", violation_error_message=CODE_TAKEN
            ),
            models.UniqueConstraint(
                fields=["department", "role"],
                condition=~Q(role__in=["cart", "storeroom"]),
                name="virtual_place_unique",
                violation_error_message=_("A department has one virtual place of each kind."),
            ),
            models.CheckConstraint(
                condition=Q(role="cart") | Q(kind__isnull=True, room__isnull=True),
                name="only_carts_are_parked",
                violation_error_code="room",
                violation_error_message=_("Only a cart has a kind of cart and a room to stand in."),
            ),
            models.CheckConstraint(
                condition=Q(role="cart") | Q(sealed=False),
                name="only_carts_are_sealed",
                violation_error_message=_("Only a cart is kept under a seal."),
            ),
        ]

    def __str__(self) -> str:
        return self.name

    @property
    def is_virtual(self) -> bool:
        return self.role in self.VIRTUAL

    def on_hand(self, consumable) -> int:
        """Recorded pieces of `consumable` here, over all lots. May be negative on a cart: see Holding."""
        return self.holdings.filter(consumable=consumable).aggregate(n=models.Sum("quantity", default=0))["n"]


class Bin(models.Model):
    """A drawer of a cart or a shelf of a storeroom, in the order in which a hand or a foot passes it."""

    place = models.ForeignKey(Place, on_delete=models.PROTECT, related_name="bins")
    code = models.CharField(max_length=40)
    walk_order = models.PositiveIntegerField(default=0)

    class Meta:
        ordering = ["walk_order", "code"]
        constraints = [
            models.UniqueConstraint(
                fields=["place", "code"], name="bin_code_unique", violation_error_message=CODE_TAKEN
            )
        ]

    def __str__(self) -> str:
        return self.code


def bin_order(bin: Bin | None) -> tuple[bool, int, str]:
    """Sorts what lies at one place as a hand or a foot passes it; what has no bin comes last."""
    return (bin is None, bin.walk_order if bin else 0, bin.code if bin else "")


class StockingLine(models.Model):
    """A place keeps this consumable in this bin: the par sheet, one row of it. All figures are pieces."""

    class Tracking(models.TextChoices):
        """What people are asked for here. The ledger follows the lots that were carried in either case."""

        LOT = "lot", _("by lot")
        EARLIEST_DATE = "earliest_date", _("by the earliest date only")

    place = models.ForeignKey(Place, on_delete=models.PROTECT, related_name="stocking_lines")
    consumable = models.ForeignKey("inventory.Consumable", on_delete=models.PROTECT, related_name="stocking_lines")
    bin = models.ForeignKey(Bin, null=True, blank=True, on_delete=models.PROTECT, related_name="stocking_lines")
    par = models.PositiveIntegerField(help_text=_("The level that a restock fills to."))
    floor = models.PositiveIntegerField(
        default=0, help_text=_("Never below this, whatever the forecast says: a policy for emergencies.")
    )
    capacity = models.PositiveIntegerField(null=True, blank=True, help_text=_("What the bin can hold."))
    tracking = models.CharField(max_length=20, choices=Tracking, default=Tracking.LOT)

    objects = StockingLineQuerySet.as_manager()

    class Meta:
        ordering = ["place", F("bin__walk_order").asc(nulls_last=True), "consumable__code"]
        constraints = [
            models.UniqueConstraint(
                fields=["place", "consumable"],
                name="stocking_line_unique",
                violation_error_message=_("This place already keeps this line: change its par instead."),
            ),
            models.CheckConstraint(
                condition=Q(capacity__isnull=True) | Q(par__lte=F("capacity")),
                name="par_fits_the_bin",
                violation_error_code="par",
                violation_error_message=_("Par is more than the bin can hold: lower par or correct the capacity."),
            ),
            models.CheckConstraint(
                condition=Q(capacity__isnull=True) | Q(floor__lte=F("capacity")),
                name="floor_fits_the_bin",
                violation_error_code="floor",
                violation_error_message=_("The floor is more than the bin can hold: lower it or correct the capacity."),
            ),
        ]

    def __str__(self) -> str:
        return f"{self.consumable} at {self.place}"
