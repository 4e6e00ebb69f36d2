"""Who told what a case used, and when: the entry behind usage records, and its taking back."""

from django.conf import settings
from django.db import models
from django.utils.translation import gettext_lazy as _


class CaseLog(models.Model):
    """One entry of a person about one case. Written once, like the ledger.

    `key` is made where the entry is made, so that an entry that waited on a device is recorded once however often it
    is sent. An entry that `undoes` another takes all of it back; its usage records have the opposite figures.
    """

    case = models.ForeignKey("restock.Case", on_delete=models.PROTECT, related_name="logs")
    by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="case_logs")
    at = models.DateTimeField(help_text=_("When the person entered it, on whatever device."))
    recorded_at = models.DateTimeField(auto_now_add=True, help_text=_("When we were told."))
    key = models.CharField(max_length=50, unique=True)
    undoes = models.OneToOneField("self", null=True, blank=True, on_delete=models.PROTECT, related_name="undone_by")

    class Meta:
        ordering = ["recorded_at", "pk"]
        indexes = [models.Index(fields=["by", "at"], name="case_log_by_person")]

    def __str__(self) -> str:
        return f"{self.case} at {self.at:%Y-%m-%d %H:%M}"
