"""The people of a department and what each of them does here: Django's users and groups, and nothing beside them."""

from __future__ import annotations

from collections.abc import Collection

from django.contrib.auth import get_user_model
from django.db.models import QuerySet

from inventory.models import Department

# Where there are several departments, the group "department CODE" says to which one a person belongs.
DEPARTMENT_GROUP = "department "


def people_of(department: Department, *, roles: Collection[str] = ()) -> QuerySet:
    """The department's users, those who left included, by name; with one of the roles where any are named."""
    people = get_user_model().objects.order_by("username")
    if Department.objects.exclude(pk=department.pk).exists():
        people = people.filter(groups__name=DEPARTMENT_GROUP + department.code)
    if roles:
        people = people.filter(pk__in=get_user_model().objects.filter(groups__name__in=roles))
    return people
