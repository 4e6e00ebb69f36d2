"""For the administrator of the whole site: departments are opened here, and what is on record of each can be read.

Facts are written by inventory.ledger and its neighbours alone, with who and when. What a department sets up itself is
changed on its own pages, which keep the history of every row.
"""

from django.contrib import admin

from .departments import open_department
from .models import Count, Department, Holding, Lot, Movement


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


@admin.register(Lot)
class LotAdmin(ReadOnlyAdmin):
    list_display = ["number", "consumable", "expires_on", "quarantined_at"]
    list_filter = ["consumable__department", ("quarantined_at", admin.EmptyFieldListFilter), "expires_on"]
    list_select_related = ["consumable"]
    search_fields = ["number", "consumable__code", "consumable__name"]


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
    list_filter = ["place__department", "place__role", "place"]
    list_select_related = ["place", "consumable", "lot"]
    search_fields = ["consumable__code", "consumable__name", "lot__number", "place__code"]

    @admin.display(boolean=True, description="please count")
    def needs_count(self, holding: Holding) -> bool:
        return holding.needs_count


@admin.register(Count)
class CountAdmin(ReadOnlyAdmin):
    list_display = ["at", "place", "consumable", "expected", "counted", "variance", "by"]
    list_filter = ["place__department", "place"]
    list_select_related = ["place", "consumable", "by"]
    search_fields = ["consumable__code", "consumable__name", "place__code"]
    date_hierarchy = "at"
    show_full_result_count = False
