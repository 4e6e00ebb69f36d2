"""Which file was loaded when. Its content is not kept: a case list may have held what must not be stored."""

from django.conf import settings
from django.db import models
from django.utils.translation import gettext_lazy as _


class Import(models.Model):
    """A sheet that was applied, known by the hash of its bytes, with how much it changed."""

    department = models.ForeignKey("inventory.Department", on_delete=models.PROTECT, related_name="imports")
    kind = models.CharField(max_length=20)
    sha256 = models.CharField(max_length=64)
    rows = models.PositiveIntegerField()
    changes = models.JSONField(default=dict, help_text=_("Counts only: added, updated, cancelled, unchanged."))
    by = models.ForeignKey(settings.AUTH_USER_MODEL, null=True, blank=True, on_delete=models.PROTECT)
    at = models.DateTimeField()

    class Meta:
        ordering = ["-at"]

    def __str__(self) -> str:
        return f"{self.kind}, {self.rows} rows"
