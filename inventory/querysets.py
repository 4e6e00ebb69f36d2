"""Questions about the facts. A question about a day takes the day."""

from datetime import date, timedelta

from django.db import models
from django.db.models import F, Q, Sum
from django.db.models.functions import Coalesce


class PlaceQuerySet(models.QuerySet):
    def carts(self):
        return self.filter(role="cart")

    def storerooms(self):
        return self.filter(role="storeroom")

    def physical(self):
        return self.filter(role__in=["cart", "storeroom"])


class LotQuerySet(models.QuerySet):
    def bulk_create(self, objs, *args, **kwargs):
        """Raises PersonCode, as `Lot.save` does, before anything is written."""
        lots = list(objs)
        for lot in lots:
            lot.refuse_a_person()
        return super().bulk_create(lots, *args, **kwargs)

    def usable(self, *, on: date):
        """Lots that a person may take from on that day: in date, and not quarantined."""
        return self.filter(Q(expires_on__isnull=True) | Q(expires_on__gte=on), quarantined_at__isnull=True)


class MovementQuerySet(models.QuerySet):
    def not_reversed(self):
        """Movements that still stand: neither reversals nor reversed."""
        return self.filter(reversal__isnull=True, reverses__isnull=True)


class HoldingQuerySet(models.QuerySet):
    def usable(self, *, on: date):
        """Balances that may be used on that day: a lot in date and not quarantined, or no lot of a line that is not
        recalled as a whole: pieces without a lot turn up in a count after the notice, too."""
        return self.filter(_usable(on))

    def marked_usable(self, *, on: date):
        """Annotate `is_usable`: whether the balance may be used on that day, as `usable` says."""
        return self.annotate(is_usable=models.ExpressionWrapper(_usable(on), models.BooleanField()))

    def expiring(self, *, on: date, within_days: int):
        """Positive balances whose last day lies within `within_days` after `on` (or has passed)."""
        return self.filter(quantity__gt=0, lot__expires_on__lte=on + timedelta(days=within_days))

    def below_zero(self):
        """Balances that cannot be right. Virtual places are meant to run below zero."""
        return self.filter(quantity__lt=0, place__role__in=["cart", "storeroom"])


def _usable(on: date) -> Q:
    from .models import Recall

    in_date = Q(lot__expires_on__isnull=True) | Q(lot__expires_on__gte=on)
    whole_line = Recall.objects.filter(
        consumable=models.OuterRef("consumable"), all_lots=True, drill=False, withdrawn=False
    )
    without_lot = Q(lot__isnull=True) & ~Q(models.Exists(whole_line))
    return without_lot | (Q(lot__isnull=False) & in_date & Q(lot__quarantined_at__isnull=True))


class StockingLineQuerySet(models.QuerySet):
    def in_drawer_order(self):
        """Place by place as one walks, then as `bin_order` sorts: drawer by drawer, what has no bin last."""
        return self.order_by(
            "place__walk_order",
            "place__code",
            F("bin__walk_order").asc(nulls_last=True),
            "bin__code",
            "consumable__section",
            "consumable__code",
        )

    def with_on_hand(self):
        """Annotate `on_hand`: recorded pieces of the line at its place, over all lots."""
        from .models import Holding

        total = (
            Holding.objects.filter(place=models.OuterRef("place"), consumable=models.OuterRef("consumable"))
            .order_by()
            .values("place", "consumable")
            .annotate(total=Sum("quantity"))
            .values("total")
        )
        return self.annotate(on_hand=Coalesce(models.Subquery(total), 0))
