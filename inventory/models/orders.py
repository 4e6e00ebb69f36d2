"""What was ordered from a supplier, what came of it, and what is said to come later."""

from django.conf import settings
from django.db import models
from django.db.models import Q
from django.utils.translation import gettext_lazy as _

from .notes import about_stock_only


class Order(models.Model):
    """One requisition of one storeroom. Sent out once; what came and what is late is found from its lines."""

    storeroom = models.ForeignKey("inventory.Place", on_delete=models.PROTECT, related_name="orders")
    number = models.CharField(max_length=40, help_text=_("The department's own, printed on the requisition."))
    placed_at = models.DateTimeField(null=True, blank=True, help_text=_("Empty while it is being put together."))
    placed_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, null=True, blank=True, on_delete=models.PROTECT, related_name="orders"
    )
    made_at = models.DateTimeField()
    made_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    note = models.CharField(max_length=200, blank=True, validators=[about_stock_only])

    class Meta:
        ordering = ["-made_at", "-pk"]
        constraints = [
            models.UniqueConstraint(
                fields=["storeroom", "number"],
                name="order_number_unique",
                violation_error_message=_("This storeroom already has an order of that number."),
            ),
            models.CheckConstraint(
                condition=Q(placed_at__isnull=True, placed_by__isnull=True)
                | Q(placed_at__isnull=False, placed_by__isnull=False),
                name="placed_order_names_who_and_when",
                violation_error_message=_("An order that was placed names who placed it and when."),
            ),
        ]

    def __str__(self) -> str:
        return self.number


class OrderLine(models.Model):
    """So many packs of one line. Closed where nothing more is expected, although not everything came."""

    order = models.ForeignKey(Order, on_delete=models.CASCADE, related_name="lines")
    consumable = models.ForeignKey("inventory.Consumable", on_delete=models.PROTECT, related_name="order_lines")
    packs = models.PositiveIntegerField()
    pieces_per_pack = models.PositiveIntegerField(default=1)
    packs_asked = models.PositiveIntegerField(
        null=True, blank=True, help_text=_("What was asked for, where the buyer changed it since.")
    )
    expected_on = models.DateField(null=True, blank=True, help_text=_("By the lead time known when it was ordered."))
    reason = models.TextField(blank=True, help_text=_("Why so many, in the words of the proposal."))
    closed_at = models.DateTimeField(null=True, blank=True)
    closed_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, null=True, blank=True, on_delete=models.PROTECT, related_name="+"
    )

    class Meta:
        ordering = ["order", "consumable__section", "consumable__code"]
        constraints = [
            models.UniqueConstraint(
                fields=["order", "consumable"],
                name="order_line_unique",
                violation_error_message=_("This order already has this line: change its packs."),
            ),
            models.CheckConstraint(
                condition=Q(packs__gte=1, pieces_per_pack__gte=1),
                name="order_line_orders_a_piece",
                violation_error_message=_("An order line orders at least one pack of at least one piece."),
            ),
            models.CheckConstraint(
                condition=Q(closed_at__isnull=True, closed_by__isnull=True)
                | Q(closed_at__isnull=False, closed_by__isnull=False),
                name="closed_order_line_names_who_and_when",
                violation_error_message=_("A closed order line names who closed it and when."),
            ),
        ]

    def __str__(self) -> str:
        return f"{self.packs} packs of {self.consumable} on {self.order}"

    @property
    def pieces(self) -> int:
        return self.packs * self.pieces_per_pack


class Receipt(models.Model):
    """One lot of one line as it came in: the ledger's movement, and the order line that it answers, if any.

    Written once. A reversed movement takes its receipt with it: what was received in error counts for no order.
    """

    class Remark(models.TextChoices):
        AS_ORDERED = "", _("as ordered")
        MORE = "more", _("more than ordered")
        NOT_ORDERED = "not_ordered", _("not on this order")
        SHORT_DATED = "short_dated", _("short-dated on arrival")
        SHORT_DATED_MORE = "short_dated_more", _("short-dated on arrival, more than ordered")
        SHORT_DATED_NOT_ORDERED = "short_not_ordered", _("short-dated on arrival, not on this order")

    movement = models.OneToOneField("inventory.Movement", on_delete=models.PROTECT, related_name="receipt")
    order_line = models.ForeignKey(OrderLine, null=True, blank=True, on_delete=models.PROTECT, related_name="receipts")
    order = models.ForeignKey(Order, null=True, blank=True, on_delete=models.PROTECT, related_name="receipts")
    remark = models.CharField(max_length=20, choices=Remark, blank=True, default=Remark.AS_ORDERED)

    class Meta:
        ordering = ["pk"]
        constraints = [
            models.CheckConstraint(
                condition=Q(order_line__isnull=True) | Q(order__isnull=False),
                name="receipt_of_a_line_names_its_order",
                violation_error_message=_("A receipt against an order line names the order too."),
            )
        ]

    def __str__(self) -> str:
        return f"receipt of {self.movement}"


class BackOrder(models.Model):
    """What the supplier said about a line that is late. Written once; the newest notice of a line counts.

    `expected_on` is empty where no day was given. `pieces` is what the notice speaks of, all that is open if empty.
    """

    order_line = models.ForeignKey(OrderLine, on_delete=models.PROTECT, related_name="back_orders")
    expected_on = models.DateField(null=True, blank=True)
    pieces = models.PositiveIntegerField(null=True, blank=True)
    withdrawn = models.BooleanField(default=False, help_text=_("The supplier took the notice back."))
    note = models.CharField(max_length=200, blank=True, validators=[about_stock_only])
    by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    at = models.DateTimeField()
    key = models.CharField(max_length=80, unique=True)

    class Meta:
        ordering = ["-at", "-pk"]
        constraints = [
            models.CheckConstraint(
                condition=Q(pieces__isnull=True) | Q(pieces__gte=1),
                name="back_order_of_a_piece",
                violation_error_message=_("A back-order is of at least one piece."),
            )
        ]

    def __str__(self) -> str:
        return f"back-order of {self.order_line}"
