"""What a request is about: whose department, which day, and which plan is the one to act on."""

from __future__ import annotations

from datetime import date, timedelta

from django.core.exceptions import PermissionDenied
from django.http import HttpRequest
from django.utils import timezone
from django.utils.translation import gettext as _

from inventory.models import Department
from restock.models import Case, Plan
from restock.setting_up.people import department_of


def current_department(request: HttpRequest) -> Department:
    """The department that the user belongs to.

    Raises PermissionDenied with words for the user where there is none.
    """
    if not hasattr(request, "_department"):
        request._department = department_of(request.user)
    if request._department is None:
        raise PermissionDenied(_("Your account belongs to no department yet."))
    return request._department


def today(request: HttpRequest) -> date:
    """The department's calendar date."""
    return current_department(request).local_date(timezone.now())


def current_plan(request: HttpRequest) -> Plan | None:
    """The newest plan for the next planned day after today; where no day ahead is planned, the latest there is."""
    if not hasattr(request, "_plan"):
        plans = Plan.objects.filter(department=current_department(request))
        ahead = plans.filter(for_date__gt=today(request)).order_by("for_date", "-made_at", "-pk")
        request._plan = ahead.first() or plans.order_by("-for_date", "-made_at", "-pk").first()
    return request._plan


def day_to_plan(department: Department, today: date) -> date:
    """The next day that has listed cases, or tomorrow where no list is there yet."""
    listed = Case.objects.filter(department=department, date__gt=today).exclude(status=Case.Status.CANCELLED)
    return listed.order_by("date").values_list("date", flat=True).first() or today + timedelta(days=1)
