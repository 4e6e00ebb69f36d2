"""Opening a department for decisions: size classes, extras, policy and roles, beside the facts' own ground."""

from math import ceil

from django.contrib.auth.models import Group
from django.db import transaction
from django.utils.translation import gettext, gettext_noop

from inventory.departments import open_department
from inventory.models import Department

from ..cases.sizing import DAYS_PER_YEAR
from ..models import Extra, Policy, SizeClass

ROLES = (gettext_noop("clinician"), gettext_noop("technician"), gettext_noop("supervisor"))

# A starting point that a department edits, named in the language it begins in. Neonate to 27 days and adolescent from
# 12 years are those of ICH E11 (2000, from memory); the bounds between, and adult sizes from 16 years, are common
# practice, no source.
# (code, first day of life, years below which, sex)
SIZE_CLASSES = (
    (gettext_noop("neonate"), 0, 28 / DAYS_PER_YEAR, ""),
    (gettext_noop("infant"), 28 / DAYS_PER_YEAR, 1, ""),
    (gettext_noop("toddler"), 1, 3, ""),
    (gettext_noop("child"), 3, 7, ""),
    (gettext_noop("older child"), 7, 12, ""),
    (gettext_noop("adolescent"), 12, 16, ""),
    (gettext_noop("adult female"), 16, None, SizeClass.Sex.FEMALE),
    (gettext_noop("adult male"), 16, None, SizeClass.Sex.MALE),
    (gettext_noop("adult"), 16, None, ""),
)
DEFAULT_SIZE_CLASS = "adult"

EXTRAS = (
    gettext_noop("arterial line set"),
    gettext_noop("central line set"),
    gettext_noop("ultrasound-guided access"),
    gettext_noop("fluid warming set"),
    gettext_noop("difficult-airway standby"),
    gettext_noop("pacing magnet"),
    gettext_noop("defibrillator standby"),
)


@transaction.atomic
def begin_department(*, code: str, name: str, time_zone: str = "UTC") -> Department:
    """Return the department `code`, complete with what every department starts from.

    What is there already stays as its people edited it. Raises ValidationError where a field cannot stand.
    """
    department = open_department(code=code, name=name, time_zone=time_zone)
    for role in ROLES:
        Group.objects.get_or_create(name=role)
    Policy.objects.get_or_create(department=department)
    if not department.size_classes.exists():
        SizeClass.objects.bulk_create(
            SizeClass(
                department=department,
                code=_code(words),
                name=gettext(words),
                age_days_from=ceil(from_years * DAYS_PER_YEAR),
                age_days_below=None if below_years is None else ceil(below_years * DAYS_PER_YEAR),
                sex=sex,
                is_default=words == DEFAULT_SIZE_CLASS,
                position=position,
            )
            for position, (words, from_years, below_years, sex) in enumerate(SIZE_CLASSES, start=1)
        )
    if not department.extras.exists():
        Extra.objects.bulk_create(
            Extra(department=department, code=_code(words), name=gettext(words)) for words in EXTRAS
        )
    return department


def _code(words: str) -> str:
    return words.replace(" ", "-")
