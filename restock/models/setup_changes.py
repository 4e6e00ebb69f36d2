"""Who changed what in the set-up, when, and from what to what."""

from django.conf import settings
from django.db import models
from django.utils.translation import gettext_lazy as _


class SetupChange(models.Model):
    """One row of a set-up page was added, changed or removed by a person. Written once.

    before and after hold every field that the page shows, by field name; one of them is empty for a row that began or
    ended. Where `before` is not what the last change left behind, the row was changed another way in between,
    such as by a spreadsheet, and the reader says so (restock.setting_up.setup_history).
    """

    department = models.ForeignKey("inventory.Department", on_delete=models.PROTECT, related_name="setup_changes")
    page = models.SlugField(max_length=40, help_text=_("Which set-up page."))
    row = models.BigIntegerField(help_text=_("Its primary key there."))
    title = models.CharField(max_length=200, help_text=_("What the row was called."))
    before = models.JSONField(default=dict)
    after = models.JSONField(default=dict)
    by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="setup_changes")
    at = models.DateTimeField()

    class Meta:
        ordering = ["-at", "-pk"]
        indexes = [models.Index(fields=["department", "page", "row"], name="setup_change_of_row")]

    def __str__(self) -> str:
        return f"{self.page}: {self.title}"
