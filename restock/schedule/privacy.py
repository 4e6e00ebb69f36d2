"""The door: what turns a person's data into what a slot may say. Nothing that goes in comes out again."""

from collections.abc import Sequence
from decimal import Decimal

from django.utils.crypto import salted_hmac

from inventory.models import Department
from restock.cases.sizing import size_class_for
from restock.models import SizeClass


def booking_hash(department: Department, reference: str) -> str:
    """Keyed hash of a booking reference: 64 hexadecimal digits, the same for the same reference.

    The key is the site's SECRET_KEY, so a reference cannot be found by trying all of them without it. Spaces and
    capitals do not matter. A new SECRET_KEY makes every known booking look new.
    """
    normal = "".join(reference.split()).casefold()
    return salted_hmac(f"restock.booking:{department.code}", normal, algorithm="sha256").hexdigest()


def size_class_at_the_door(
    classes: Sequence[SizeClass],
    *,
    age_years: Decimal | None,
    age_days: int | None,
    sex: str,
    weight_kg: Decimal | None,
) -> SizeClass | None:
    """The size class for a person's data, or None where no class fits. The data goes no further."""
    return size_class_for(
        classes,
        age_years=None if age_years is None else float(age_years),
        age_days=age_days,
        sex=sex,
        weight_kg=None if weight_kg is None else float(weight_kg),
    )
