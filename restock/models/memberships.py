"""To which department a person belongs."""

from django.conf import settings
from django.db import models
from django.utils.translation import gettext_lazy as _

from inventory.models import Department


class Membership(models.Model):
    """A person sees and does only what is their department's, and belongs to one."""

    user = models.OneToOneField(
        settings.AUTH_USER_MODEL,
        on_delete=models.CASCADE,
        related_name="membership",
        error_messages={"unique": _("This person belongs to a department already: use another name to sign in with.")},
    )
    department = models.ForeignKey(Department, on_delete=models.PROTECT, related_name="memberships")

    def __str__(self) -> str:
        return f"{self.user} of {self.department}"
