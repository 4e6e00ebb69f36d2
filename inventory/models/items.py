"""What exists: consumables, the runs of sizes they belong to, and the packs they come in."""

from django.db import models
from django.db.models import Q
from django.utils.translation import gettext_lazy as _

from .places import CODE_TAKEN


class Section(models.IntegerChoices):
    """The parts of the work area, in the order in which the trade teaches to set them up (common practice)."""

    MACHINE = 1, _("machine")
    SUCTION = 2, _("suction")
    MONITORS = 3, _("monitors")
    AIRWAY = 4, _("airway")
    IV = 5, _("IV")
    DRUG_SUPPLIES = 6, _("drug supplies")
    SPECIAL = 7, _("special")


class Criticality(models.TextChoices):
    NEVER_OUT = "never_out", _("never out")
    ROUTINE = "routine", _("routine")


class Basis(models.TextChoices):
    """What makes a piece go: a case, the opening of a room, a week, a condition, or an emergency."""

    PER_CASE = "per_case", _("per case")
    PER_ROOM_DAY = "per_room_day", _("per room and day")
    PER_ROOM_WEEK = "per_room_week", _("per room and week")
    ON_CONDITION = "on_condition", _("on condition")
    EMERGENCY = "emergency", _("emergency")


class Owner(models.TextChoices):
    SUPPLY = "supply", _("supply")
    PHARMACY = "pharmacy", _("pharmacy (presence and date only)")


class Latex(models.TextChoices):
    """A maker's statement, never our claim. FDA, 21 CFR 801.437: read the label."""

    CONTAINS = "contains", _("contains natural rubber latex")
    NOT_MADE_WITH = "not_made_with", _("labelled as not made with natural rubber latex")
    NOT_STATED = "not_stated", _("not stated")


class SingleUse(models.TextChoices):
    """ISO 15223-1, 5.4.2 (do not re-use) and 5.4.12 (single patient, multiple use)."""

    YES = "yes", _("single use")
    PATIENT = "patient", _("single patient, multiple use")
    POLICY = "policy", _("by local policy")
    NO = "no", _("re-usable")


class Connector(models.TextChoices):
    """What a piece connects to. ISO 80369-7 (Luer) and 80369-6 (neuraxial) must never stand in for each other."""

    NOT_STATED = "not_stated", _("not stated")
    LUER = "luer", _("Luer (ISO 80369-7)")
    NEURAXIAL = "neuraxial", _("neuraxial (ISO 80369-6)")
    CONE_15_22 = "cone_15_22", _("15 and 22 mm cones (ISO 5356-1)")
    CONE_8_5_11_5 = "cone_8_5_11_5", _("8.5 and 11.5 mm cones (ISO 5356-1)")
    OTHER = "other", _("another")


class SizeRun(models.Model):
    """An ordered family of sizes, such as cuffed tracheal tubes from 3.0 to 8.5.

    Demand is learned for the run and split over its sizes by size class, and a gap in the run shows.
    """

    department = models.ForeignKey("inventory.Department", on_delete=models.PROTECT, related_name="size_runs")
    code = models.SlugField(max_length=60)
    name = models.CharField(max_length=120)

    class Meta:
        ordering = ["name"]
        constraints = [
            models.UniqueConstraint(
                fields=["department", "code"], name="size_run_code_unique", violation_error_message=CODE_TAKEN
            )
        ]

    def __str__(self) -> str:
        return self.name


class Consumable(models.Model):
    """A line of the catalogue: one kind of thing in one size, counted in pieces.

    Drugs are not lines: no dose, no controlled substance. Fluids and rescue drugs that the pharmacy owns are kept
    for their presence and date only.
    """

    department = models.ForeignKey("inventory.Department", on_delete=models.PROTECT, related_name="consumables")
    code = models.CharField(max_length=40)
    name = models.CharField(max_length=160)
    section = models.PositiveSmallIntegerField(choices=Section)
    category = models.CharField(max_length=80, blank=True)
    unit = models.CharField(max_length=40, default="each", help_text=_("What one piece is: each, pair, kit, bag."))
    size_run = models.ForeignKey(SizeRun, null=True, blank=True, on_delete=models.PROTECT, related_name="sizes")
    size = models.CharField(max_length=60, blank=True)
    size_position = models.PositiveSmallIntegerField(
        null=True, blank=True, help_text=_("Its place in the run, smallest first.")
    )
    criticality = models.CharField(max_length=20, choices=Criticality, default=Criticality.ROUTINE)
    basis = models.CharField(max_length=20, choices=Basis, default=Basis.PER_CASE)
    owner = models.CharField(max_length=20, choices=Owner, default=Owner.SUPPLY)
    latex = models.CharField(max_length=20, choices=Latex, default=Latex.NOT_STATED)
    single_use = models.CharField(max_length=20, choices=SingleUse, default=SingleUse.YES)
    connector = models.CharField(max_length=20, choices=Connector, default=Connector.NOT_STATED)
    price_per_piece = models.DecimalField(
        max_digits=10,
        decimal_places=2,
        null=True,
        blank=True,
        help_text=_("What one piece costs, in the local currency."),
    )
    shelf_life_months = models.PositiveSmallIntegerField(
        null=True, blank=True, help_text=_("Usual for a new pack. The printed date always wins.")
    )

    class Meta:
        ordering = ["section", "code"]
        constraints = [
            models.UniqueConstraint(
                fields=["department", "code"], name="consumable_code_unique", violation_error_message=CODE_TAKEN
            ),
            models.UniqueConstraint(
                fields=["size_run", "size_position"],
                name="size_position_unique",
                violation_error_message=_("Another size already has this position in the run."),
            ),
            models.CheckConstraint(
                condition=Q(size_run__isnull=True) | Q(size_position__isnull=False),
                name="size_run_has_positions",
                violation_error_code="size_position",
                violation_error_message=_("A line in a size run needs its position in the run, smallest first."),
            ),
            models.CheckConstraint(
                condition=Q(price_per_piece__isnull=True) | Q(price_per_piece__gte=0),
                name="price_not_negative",
                violation_error_code="price_per_piece",
                violation_error_message=_("A price is 0 or more."),
            ),
        ]

    def __str__(self) -> str:
        return f"{self.code} {self.label}"

    @property
    def label(self) -> str:
        """The name with its size, as it stands on lists."""
        return f"{self.name}, {self.size}" if self.size else self.name


class Packaging(models.Model):
    """One level of packing of a consumable, with the barcode on it where there is one.

    A barcode is text: its leading zeros count.
    """

    department = models.ForeignKey("inventory.Department", on_delete=models.PROTECT, related_name="packagings")
    consumable = models.ForeignKey(Consumable, on_delete=models.PROTECT, related_name="packagings")
    pieces_per_pack = models.PositiveIntegerField(default=1)
    barcode = models.CharField(max_length=80, blank=True)

    class Meta:
        ordering = ["consumable", "pieces_per_pack"]
        constraints = [
            models.UniqueConstraint(
                fields=["department", "barcode"],
                condition=~Q(barcode=""),
                name="barcode_unique",
                violation_error_message=_("This barcode already belongs to another line."),
            ),
            models.UniqueConstraint(
                fields=["consumable", "pieces_per_pack"],
                condition=Q(barcode=""),
                name="packaging_without_barcode_unique",
                violation_error_message=_("This line already has packs of that size without a barcode."),
            ),
            models.CheckConstraint(
                condition=Q(pieces_per_pack__gte=1),
                name="pack_holds_a_piece",
                violation_error_code="pieces_per_pack",
                violation_error_message=_("A pack holds at least one piece."),
            ),
        ]

    def __str__(self) -> str:
        return f"{self.consumable}: {self.pieces_per_pack} to a pack"


class NamedStandIn(models.Model):
    """The catalogue names `stand_in` as what may be thought of where `wanted` is missing. No permission: a card is.

    `rule` is the condition in the catalogue's words, and `source` where it comes from.
    """

    wanted = models.ForeignKey(Consumable, on_delete=models.CASCADE, related_name="named_stand_ins")
    stand_in = models.ForeignKey(Consumable, on_delete=models.CASCADE, related_name="named_for")
    rule = models.CharField(max_length=120, blank=True)
    source = models.CharField(max_length=120, blank=True)

    class Meta:
        ordering = ["wanted", "pk"]
        constraints = [
            models.UniqueConstraint(
                fields=["wanted", "stand_in"],
                name="named_stand_in_unique",
                violation_error_message=_("This line is named as its stand-in already."),
            ),
            models.CheckConstraint(
                condition=~Q(wanted=models.F("stand_in")),
                name="line_is_not_named_for_itself",
                violation_error_message=_("A line cannot stand in for itself."),
            ),
        ]

    def __str__(self) -> str:
        return f"{self.stand_in} for {self.wanted}"
