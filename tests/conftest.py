"""What most tests stand on: one small department, and people who work in it."""

from datetime import UTC, datetime

import pytest
from django.db import connection

from inventory import append_only, ledger

from .factories import (
    CartFactory,
    ConsumableFactory,
    DepartmentFactory,
    RoomFactory,
    StockingLineFactory,
    StoreroomFactory,
    UserFactory,
)

NOON = datetime(2026, 3, 4, 12, tzinfo=UTC)


def drop_whoever_is_still_there(self, test_database_name, verbosity):
    """A thread of the served site may still hold a connection when its tests are over: drop the database all the same.

    WITH (FORCE) is PostgreSQL's own since version 13.
    """
    with self._nodb_cursor() as cursor:
        cursor.execute(f"DROP DATABASE {self.connection.ops.quote_name(test_database_name)} WITH (FORCE)")


if connection.vendor == "postgresql":
    type(connection.creation)._destroy_test_db = drop_whoever_is_still_there


@pytest.fixture(scope="session", autouse=True)
def append_only_tables_can_be_emptied_between_tests():
    """After a test with threads the tables are emptied, which on SQLite is a DELETE: lift the triggers for that.

    PostgreSQL empties them with TRUNCATE, which the triggers let pass.
    """
    if connection.vendor != "sqlite":
        yield
        return
    operations = type(connection.ops)
    plain_flush = operations.sql_flush

    def sql_flush(self, style, tables, **options):
        guarded = [table for table in append_only.TABLES if table in tables]
        return [
            *(sql for table in guarded for sql in append_only.dropping_sql(table, "sqlite")),
            *plain_flush(self, style, tables, **options),
            *(sql for table in guarded for sql in append_only.creating_sql(table, "sqlite")),
        ]

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(operations, "sql_flush", sql_flush)
        yield


@pytest.fixture
def department(db):
    """The department `main`, with its virtual places. It lives in UTC."""
    return DepartmentFactory()


@pytest.fixture
def room(department):
    return RoomFactory(code="OR-1", walk_order=1)


@pytest.fixture
def storeroom(department):
    """An empty storeroom."""
    return StoreroomFactory(code="MAIN", name="Main storeroom", walk_order=1)


@pytest.fixture
def cart(room, storeroom):
    """The cart of `room`, filled from `storeroom`. Nothing on it yet: see `stocked_cart`."""
    return CartFactory(code="CART-1", name="Cart 1", room=room, restocked_from=storeroom, walk_order=1)


@pytest.fixture
def tube(department):
    """A tracheal tube, 7.0, cuffed."""
    return ConsumableFactory(code="ETT-7.0", name="Tracheal tube, cuffed", size="7.0 mm")


@pytest.fixture
def stocked_cart(cart, tube, technician):
    """`cart` with a par of five tubes and five tubes on it, of no lot."""
    StockingLineFactory(place=cart, consumable=tube, par=5)
    ledger.count(place=cart, consumable=tube, counted=5, by=technician, at=NOON, key="stocked_cart")
    return cart


@pytest.fixture
def clinician(db):
    return UserFactory(username="clinician", groups=["clinician"])


@pytest.fixture
def technician(db):
    return UserFactory(username="technician", groups=["technician"])


@pytest.fixture
def supervisor(db):
    return UserFactory(username="supervisor", groups=["supervisor"])
