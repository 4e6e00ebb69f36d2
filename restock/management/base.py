"""What the commands have in common: whose department it is, which day is meant, where a file can be written."""

from __future__ import annotations

from datetime import date, timedelta
from pathlib import Path

from django.contrib.auth import get_user_model
from django.contrib.auth.models import AbstractBaseUser
from django.core.management.base import BaseCommand, CommandError
from django.utils import timezone

from inventory.models import Department
from restock.management.running import OPEN_A_DEPARTMENT
from restock.setting_up.people import people_of


class DepartmentCommand(BaseCommand):
    """A command about one department. `--department` is only needed where there are several."""

    def add_arguments(self, parser):
        parser.add_argument("--department", metavar="CODE", help="Which department, where there are several.")

    def department(self, code: str | None) -> Department:
        departments = list(Department.objects.order_by("code"))
        if not departments:
            raise CommandError(f"There is no department yet. {OPEN_A_DEPARTMENT}")
        if code is None and len(departments) == 1:
            return departments[0]
        for department in departments:
            if department.code == code:
                return department
        known = ", ".join(department.code for department in departments)
        raise CommandError(f"Say which department with --department CODE. There are: {known}.")

    def person(self, department: Department, name: str) -> AbstractBaseUser:
        """Who signs in with this name and works in the department. Raises CommandError."""
        people = people_of(department).filter(is_active=True)
        user = people.filter(**{get_user_model().USERNAME_FIELD: name}).first()
        if user is None:
            raise CommandError(f"Nobody who signs in as {name} works in {department}: see Set-up, People.")
        return user


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


def refuse_unwritable(path: Path) -> None:
    """Raise CommandError where no file can be written, before the work for it begins. What is there stays."""
    existed = path.exists()
    try:
        path.open("ab").close()
    except OSError as error:
        raise CommandError(f"{path} cannot be written: {error.strerror}.") from None
    if not existed:
        path.unlink()
