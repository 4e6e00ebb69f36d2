"""The people of a department and what each of them does here: Django's users, a membership, and groups for roles.

Every change is kept in the set-up history. Nobody is deleted, because what they recorded names them: who leaves is
retired, and signs in no more.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable
from datetime import datetime

from django.contrib.auth import get_user_model
from django.contrib.auth.models import AbstractBaseUser, Group
from django.contrib.auth.password_validation import validate_password
from django.core.exceptions import ValidationError
from django.db import transaction
from django.db.models import QuerySet
from django.utils.translation import gettext as _

from inventory.models import Department

from ..models import Membership
from .departments import ROLES
from .setup_history import keep_change

PAGE = "people"  # under which the set-up history keeps them


def people_of(department: Department, *, roles: Collection[str] = ()) -> QuerySet:
    """The department's users, those who left included, by name; with one of the roles where any are named."""
    people = get_user_model().objects.filter(membership__department=department).order_by("username")
    if roles:
        people = people.filter(pk__in=get_user_model().objects.filter(groups__name__in=roles))
    return people


def departments_of(users: Iterable[AbstractBaseUser]) -> dict[int, Department]:
    """The department of each of these users by the user's id, without those who belong to none."""
    memberships = Membership.objects.filter(user__in=users).select_related("department")
    return {membership.user_id: membership.department for membership in memberships}


def department_of(user: AbstractBaseUser) -> Department | None:
    """The department that the user belongs to."""
    return departments_of([user]).get(user.pk)


def join(department: Department, user: AbstractBaseUser) -> None:
    """Make a user one of the department's people. Raises ValidationError for who belongs to another."""
    if department_of(user) != department:
        membership = Membership(user=user, department=department)
        membership.full_clean()
        membership.save()


@transaction.atomic
def add_person(
    department: Department, *, username: str, roles: Collection[str], password: str, by, at: datetime
) -> AbstractBaseUser:
    """A new user with roles and a first password, which only its owner should know from then on.

    Raises ValidationError by field: a name that is taken or cannot be, a password that is too easy.
    """
    user = get_user_model()(username=username)
    user.full_clean(exclude=["password"])
    _set_password(user, password)
    user.save()
    join(department, user)
    user.groups.set(_groups(roles))
    _keep(department, user, before={}, by=by, at=at)
    return user


@transaction.atomic
def change_person(
    department: Department, user: AbstractBaseUser, *, roles: Collection[str], is_active: bool, by, at: datetime
) -> None:
    """Give a person these roles and no others, and let them sign in or not.

    Raises ValidationError where that would leave the department without a supervisor, and for the administrator of the
    whole site, whose account is no department's to change.
    """
    _refuse_administrator(user)
    before = as_shown(user)
    user.is_active = is_active
    user.save(update_fields=["is_active"])
    user.groups.remove(*Group.objects.filter(name__in=ROLES))
    user.groups.add(*_groups(roles))
    if not people_of(department, roles=["supervisor"]).filter(is_active=True).exists():
        raise ValidationError(_("Somebody has to stay supervisor: make another person one first."))
    _keep(department, user, before=before, by=by, at=at)


@transaction.atomic
def give_password(department: Department, user: AbstractBaseUser, *, password: str, by, at: datetime) -> None:
    """Set a first password, or a new one for who lost theirs. Their sessions end. Raises ValidationError by field."""
    _refuse_administrator(user)
    before = as_shown(user)
    _set_password(user, password)
    user.save(update_fields=["password"])
    _keep(department, user, before=before, by=by, at=at, password=_("set by a supervisor"))


def roles_of(user: AbstractBaseUser) -> list[str]:
    """The person's roles, in the order of ROLES."""
    held = {group.name for group in user.groups.all()}
    return [role for role in ROLES if role in held]


def as_shown(user: AbstractBaseUser) -> dict[str, str]:
    """What the set-up history keeps of a person."""
    roles = [role for role in ROLES if user.groups.filter(name=role).exists()]
    return {"roles": ", ".join(roles), "signs in": "yes" if user.is_active else "no"}


def _groups(roles: Collection[str]) -> list[Group]:
    return [Group.objects.get_or_create(name=role)[0] for role in ROLES if role in roles]


def _set_password(user: AbstractBaseUser, password: str) -> None:
    try:
        validate_password(password, user)
    except ValidationError as error:
        raise ValidationError({"password": error.messages}) from None
    user.set_password(password)


def _refuse_administrator(user: AbstractBaseUser) -> None:
    if user.is_superuser:
        raise ValidationError(_("This is the administrator of the whole site: change that account on the server."))


def _keep(department: Department, user: AbstractBaseUser, *, before: dict, by, at: datetime, **more: str) -> None:
    title, after = user.get_username(), as_shown(user) | more
    before = before and before | dict.fromkeys(more, "")
    keep_change(department=department, page=PAGE, row=user.pk, title=title, before=before, after=after, by=by, at=at)
