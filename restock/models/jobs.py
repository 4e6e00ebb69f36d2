"""Work that takes longer than a page may wait for, and how far it has come."""

from django.conf import settings
from django.db import models
from django.db.models import Q
from django.utils.translation import gettext_lazy as _


class WorkRequest(models.Model):
    """One piece of work that somebody asked for: restock.jobs does it, one at a time in a department."""

    class Kind(models.TextChoices):
        PARS = "pars", _("par advice")
        COVER = "cover", _("days of cover")
        ORDERS = "orders", _("orders")
        ACCURACY = "accuracy", _("accuracy of the forecast")

    class State(models.TextChoices):
        WAITING = "waiting", _("waiting")
        RUNNING = "running", _("being worked out")
        DONE = "done", _("done")
        FAILED = "failed", _("not done")

    OPEN = (State.WAITING, State.RUNNING)

    department = models.ForeignKey("inventory.Department", on_delete=models.CASCADE, related_name="work_requests")
    kind = models.CharField(max_length=20, choices=Kind)
    state = models.CharField(max_length=10, choices=State, default=State.WAITING)
    asked_at = models.DateTimeField()
    asked_by = models.ForeignKey(settings.AUTH_USER_MODEL, null=True, on_delete=models.SET_NULL, related_name="+")
    started_at = models.DateTimeField(null=True)
    alive_at = models.DateTimeField(help_text=_("Last sign that somebody is at it, or when it was asked for."))
    ended_at = models.DateTimeField(null=True)
    why_not = models.CharField(
        max_length=200, blank=True, help_text=_("Why it was not done, in the program's own words.")
    )

    class Meta:
        ordering = ["-asked_at", "-pk"]
        get_latest_by = "asked_at"
        constraints = [
            models.UniqueConstraint(
                fields=["department"],
                condition=Q(state="running"),
                name="work_one_at_a_time",
                violation_error_message=_("Other work of this department is being done."),
            ),
            models.UniqueConstraint(
                fields=["department", "kind"],
                condition=Q(state__in=["waiting", "running"]),
                name="work_asked_for_once",
                violation_error_message=_("This was asked for already, and is not done yet."),
            ),
        ]

    def __str__(self) -> str:
        return f"{self.get_kind_display()}, {self.get_state_display()}"

    @property
    def is_open(self) -> bool:
        return self.state in self.OPEN
