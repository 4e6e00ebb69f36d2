"""How a department's own headings are understood, so that a sheet is explained once."""

from django.db import models
from django.utils.translation import gettext_lazy as _


class HeadingMap(models.Model):
    """What a department's headings mean for one kind of sheet.

    `columns` maps a keyed hash of a heading to the column that it stands for, or to "" where it is left out: what
    looks like a heading may be somebody's data, and nothing of a file is kept.
    """

    department = models.ForeignKey("inventory.Department", on_delete=models.PROTECT, related_name="heading_maps")
    kind = models.CharField(max_length=20)
    columns = models.JSONField(default=dict)

    class Meta:
        ordering = ["kind"]
        constraints = [
            models.UniqueConstraint(
                fields=["department", "kind"],
                name="heading_map_unique",
                violation_error_message=_("What headings of this kind of sheet mean is kept already: change that."),
            )
        ]

    def __str__(self) -> str:
        return f"headings of {self.kind}"
