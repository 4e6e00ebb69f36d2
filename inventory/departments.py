"""Opening a department: the root record with the virtual places that its ledger needs."""

from django.db import transaction

from .models import Department, Place


@transaction.atomic
def open_department(*, code: str, name: str, time_zone: str = "UTC") -> Department:
    """Return the department `code`, made with its virtual places if it is new.

    Raises ValidationError where a field cannot stand (an unknown time zone, a code with spaces).
    """
    department = Department.objects.filter(code=code).first()
    if department is None:
        department = Department(code=code, name=name, time_zone=time_zone)
        department.full_clean()
        department.save()
        Place.objects.bulk_create(
            Place(department=department, code=role.value, name=role.label, role=role) for role in Place.VIRTUAL
        )
    return department
