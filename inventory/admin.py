"""Catalogue, places and par sheets can be edited; the ledger can only be read: inventory.ledger alone writes it."""

from django.contrib import admin

from .departments import open_department
from .models import (
    Bin,
    CartKind,
    Consumable,
    Count,
    Department,
    Holding,
    Lot,
    Movement,
    Packaging,
    Place,
    Room,
    SizeRun,
    StockingLine,
)


class ReadOnlyAdmin(admin.ModelAdmin):
    def has_add_permission(self, request):
        return False

    def has_change_permission(self, request, obj=None):
        return False

    def has_delete_permission(self, request, obj=None):
        return False


@admin.register(Department)
class DepartmentAdmin(admin.ModelAdmin):
    list_display = ["code", "name", "time_zone"]

    def save_model(self, request, obj, form, change):
        """A new department is opened with the virtual places that its ledger needs."""
        if change:
            obj.save()
        else:
            obj.pk = open_department(code=obj.code, name=obj.name, time_zone=obj.time_zone).pk


@admin.register(Room)
class RoomAdmin(admin.ModelAdmin):
    list_display = ["code", "name", "kind", "walk_order", "department"]
    list_filter = ["department", "kind"]
    search_fields = ["code", "name"]


@admin.register(CartKind)
class CartKindAdmin(admin.ModelAdmin):
    list_display = ["code", "name", "department"]
    list_filter = ["department"]


class BinInline(admin.TabularInline):
    model = Bin
    extra = 0


@admin.register(Place)
class PlaceAdmin(admin.ModelAdmin):
    list_display = ["code", "name", "role", "kind", "room", "restocked_from", "walk_order", "department"]
    list_filter = ["department", "role", "kind"]
    list_select_related = ["kind", "room", "restocked_from", "department"]
    search_fields = ["code", "name"]
    filter_horizontal = ["serves"]
    inlines = [BinInline]


@admin.register(SizeRun)
class SizeRunAdmin(admin.ModelAdmin):
    list_display = ["code", "name", "department"]
    list_filter = ["department"]
    search_fields = ["code", "name"]


class PackagingInline(admin.TabularInline):
    model = Packaging
    extra = 0


@admin.register(Consumable)
class ConsumableAdmin(admin.ModelAdmin):
    list_display = ["code", "label", "section", "category", "criticality", "basis", "owner", "latex"]
    list_filter = ["department", "section", "criticality", "basis", "owner", "latex"]
    search_fields = ["code", "name", "size", "packagings__barcode"]
    inlines = [PackagingInline]


@admin.register(StockingLine)
class StockingLineAdmin(admin.ModelAdmin):
    list_display = ["place", "consumable", "bin", "par", "floor", "capacity"]
    list_editable = ["par", "floor", "capacity"]
    list_filter = ["place"]
    list_select_related = ["place", "consumable", "bin"]
    search_fields = ["consumable__code", "consumable__name", "place__code"]
    autocomplete_fields = ["place", "consumable"]
    raw_id_fields = ["bin"]


@admin.register(Lot)
class LotAdmin(admin.ModelAdmin):
    list_display = ["number", "consumable", "expires_on", "quarantined_at"]
    list_filter = [("quarantined_at", admin.EmptyFieldListFilter), "expires_on"]
    list_select_related = ["consumable"]
    search_fields = ["number", "consumable__code", "consumable__name"]
    autocomplete_fields = ["consumable"]


@admin.register(Movement)
class MovementAdmin(ReadOnlyAdmin):
    list_display = ["at", "kind", "quantity", "consumable", "lot", "source", "destination", "by", "reason"]
    list_filter = ["kind", "source__department"]
    list_select_related = ["consumable", "lot", "source", "destination", "by"]
    search_fields = ["consumable__code", "consumable__name", "lot__number", "key"]
    date_hierarchy = "at"
    show_full_result_count = False  # counting a million rows twice for one page


@admin.register(Holding)
class HoldingAdmin(ReadOnlyAdmin):
    list_display = ["place", "consumable", "lot", "quantity", "needs_count"]
    list_filter = ["place__role", "place"]
    list_select_related = ["place", "consumable", "lot"]
    search_fields = ["consumable__code", "consumable__name", "lot__number", "place__code"]

    @admin.display(boolean=True, description="please count")
    def needs_count(self, holding: Holding) -> bool:
        return holding.needs_count


@admin.register(Count)
class CountAdmin(ReadOnlyAdmin):
    list_display = ["at", "place", "consumable", "expected", "counted", "variance", "by"]
    list_filter = ["place"]
    list_select_related = ["place", "consumable", "by"]
    search_fields = ["consumable__code", "consumable__name", "place__code"]
    date_hierarchy = "at"
    show_full_result_count = False
