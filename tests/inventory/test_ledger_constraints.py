"""Every named rule of the facts stands in the database, and says what to do about it."""

from datetime import UTC, datetime

import pytest
from django.apps import apps
from django.core.exceptions import ValidationError
from django.db import IntegrityError, connection, transaction
from django.db.models import UniqueConstraint

from inventory.models import (
    Bin,
    CartKind,
    Consumable,
    Department,
    Holding,
    Lot,
    Movement,
    Packaging,
    Place,
    Room,
    Section,
    SizeRun,
    StockingLine,
)
from tests.factories import ConsumableFactory

from .stock_breaches import STOCK_BREACHES

NOON = datetime(2026, 3, 4, 12, tzinfo=UTC)


def consumable(department, code, **fields):
    return Consumable(department=department, code=code, name=code, section=Section.AIRWAY, **fields)


def movement(cart, tube, clinician, **fields):
    """A valid use of one tube, until `fields` say otherwise."""
    used = Place.objects.get(department=cart.department, role=Place.Role.USED)
    valid = {"kind": "use", "source": cart, "destination": used, "quantity": 1, "key": "k", "at": NOON}
    return Movement(consumable=tube, by=clinician, **valid | fields)


# Each rule with what breaks it: rows that stand, then the one that the database must refuse.
BREACHES = {
    "size_run_code_unique": lambda d, cart, tube, by: [
        SizeRun.objects.create(department=d, code="tubes", name="Tubes"),
        SizeRun(department=d, code="tubes", name="Other tubes"),
    ],
    "consumable_code_unique": lambda d, cart, tube, by: [consumable(d, tube.code)],
    "size_position_unique": lambda d, cart, tube, by: [
        run := SizeRun.objects.create(department=d, code="tubes", name="Tubes"),
        ConsumableFactory(size_run=run, size_position=1),
        consumable(d, "ETT-7", size_run=run, size_position=1),
    ],
    "size_run_has_positions": lambda d, cart, tube, by: [
        run := SizeRun.objects.create(department=d, code="tubes", name="Tubes"),
        consumable(d, "ETT-6", size_run=run),
    ],
    "barcode_unique": lambda d, cart, tube, by: [
        Packaging.objects.create(department=d, consumable=tube, barcode="04012345678901"),
        Packaging(department=d, consumable=tube, barcode="04012345678901", pieces_per_pack=10),
    ],
    "packaging_without_barcode_unique": lambda d, cart, tube, by: [
        Packaging.objects.create(department=d, consumable=tube, pieces_per_pack=10),
        Packaging(department=d, consumable=tube, pieces_per_pack=10),
    ],
    "pack_holds_a_piece": lambda d, cart, tube, by: [Packaging(department=d, consumable=tube, pieces_per_pack=0)],
    "lot_number_unique": lambda d, cart, tube, by: [
        Lot.objects.create(consumable=tube, number="A"),
        Lot(consumable=tube, number="A"),
    ],
    "movement_quantity_positive": lambda d, cart, tube, by: [movement(cart, tube, by, quantity=0)],
    "movement_goes_somewhere": lambda d, cart, tube, by: [movement(cart, tube, by, destination=cart)],
    "opened_unused_within_quantity": lambda d, cart, tube, by: [movement(cart, tube, by, opened_unused=2)],
    "opened_unused_only_in_use": lambda d, cart, tube, by: [movement(cart, tube, by, kind="move", opened_unused=1)],
    "reversal_names_its_movement": lambda d, cart, tube, by: [movement(cart, tube, by, kind="reverse")],
    "holding_unique": lambda d, cart, tube, by: [
        lot := Lot.objects.create(consumable=tube, number="A"),
        Holding.objects.create(place=cart, consumable=tube, lot=lot),
        Holding(place=cart, consumable=tube, lot=lot),
    ],
    "holding_without_lot_unique": lambda d, cart, tube, by: [
        Holding.objects.create(place=cart, consumable=tube),
        Holding(place=cart, consumable=tube),
    ],
    "room_code_unique": lambda d, cart, tube, by: [Room(department=d, code=cart.room.code, name="Again")],
    "cart_kind_code_unique": lambda d, cart, tube, by: [CartKind(department=d, code=cart.kind.code, name="Again")],
    "place_code_unique": lambda d, cart, tube, by: [Place(department=d, code=cart.code, name="Again", role="cart")],
    "virtual_place_unique": lambda d, cart, tube, by: [Place(department=d, code="used-2", name="Used", role="used")],
    "only_carts_are_parked": lambda d, cart, tube, by: [
        Place(department=d, code="S", name="Store", role="storeroom", room=cart.room)
    ],
    "bin_code_unique": lambda d, cart, tube, by: [
        Bin.objects.create(place=cart, code="D1"),
        Bin(place=cart, code="D1"),
    ],
    "stocking_line_unique": lambda d, cart, tube, by: [
        StockingLine.objects.create(place=cart, consumable=tube, par=1),
        StockingLine(place=cart, consumable=tube, par=2),
    ],
    "par_fits_the_bin": lambda d, cart, tube, by: [StockingLine(place=cart, consumable=tube, par=3, capacity=2)],
    "floor_fits_the_bin": lambda d, cart, tube, by: [
        StockingLine(place=cart, consumable=tube, par=2, floor=3, capacity=2)
    ],
    **STOCK_BREACHES,
}

CONSTRAINTS = {
    constraint.name: (model, constraint)
    for model in apps.get_app_config("inventory").get_models()
    for constraint in model._meta.constraints
}


def test_every_named_constraint_has_a_breach_to_try():
    assert BREACHES.keys() == CONSTRAINTS.keys()


@pytest.fixture(params=sorted(BREACHES))
def breach(request, department, cart, tube, clinician):
    """The name of a rule, and an unsaved row that breaks it."""
    return request.param, BREACHES[request.param](department, cart, tube, clinician)[-1]


def test_database_refuses_what_breaks_a_rule(breach):
    name, row = breach
    constraint = CONSTRAINTS[name][1]

    with pytest.raises(IntegrityError) as refused, transaction.atomic():
        row.save()

    if connection.vendor == "sqlite" and isinstance(constraint, UniqueConstraint):
        # SQLite says which columns are not unique, not which rule says so.
        broken = ", ".join(f"{row._meta.db_table}.{row._meta.get_field(f).column}" for f in constraint.fields)
    else:
        broken = name
    assert broken in str(refused.value)


def test_form_that_breaks_a_rule_is_told_what_to_do(breach):
    name, row = breach
    constraint = CONSTRAINTS[name][1]

    with pytest.raises(ValidationError) as refused:
        row.validate_constraints()

    told = " ".join(refused.value.messages)
    if constraint.violation_error_message != constraint.default_violation_error_message:
        assert str(constraint.violation_error_message) in told
    else:
        assert "already exists" in told
    assert name not in told


@pytest.mark.django_db
def test_time_zone_that_nobody_knows_is_refused_with_an_example():
    with pytest.raises(ValidationError, match="Europe/London"):
        Department(code="x", name="X", time_zone="Mars/Olympus").full_clean()
