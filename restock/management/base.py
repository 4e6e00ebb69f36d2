"""What the commands have in common: whose department it is, and which day is meant."""

from __future__ import annotations

from datetime import date, timedelta

from django.core.management.base import BaseCommand, CommandError
from django.utils import timezone

from inventory.models import Department


class DepartmentCommand(BaseCommand):
    """A command about one department. `--department` is only needed where there are several."""

    def add_arguments(self, parser):
        parser.add_argument("--department", metavar="CODE", help="Which department, where there are several.")

    def department(self, code: str | None) -> Department:
        departments = list(Department.objects.order_by("code"))
        if not departments:
            raise CommandError('There is no department yet. Open one: manage.py begin "NAME OF THE DEPARTMENT"')
        if code is None and len(departments) == 1:
            return departments[0]
        for department in departments:
            if department.code == code:
                return department
        known = ", ".join(department.code for department in departments)
        raise CommandError(f"Say which department with --department CODE. There are: {known}.")


def day_argument(parser) -> None:
    """Add `--for DATE`: a day as 2026-03-05, or the word today or tomorrow."""
    parser.add_argument(
        "--for", dest="day", default="tomorrow", metavar="DATE", help="2026-03-05, today or tomorrow (the default)."
    )


def day_meant(text: str, department: Department) -> date:
    """The day that `text` names in the department's own calendar. Raises CommandError."""
    today = department.local_date(timezone.now())
    if text in ("today", "tomorrow"):
        return today + timedelta(days=text == "tomorrow")
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise CommandError(f"{text} is not a day. Write it as 2026-03-05, or say today or tomorrow.") from None
