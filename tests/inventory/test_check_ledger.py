from datetime import UTC, datetime

import pytest
from django.core.management import CommandError, call_command
from django.db import connection

from inventory import append_only, ledger
from inventory.models import Holding
from tests.factories import CartFactory, ConsumableFactory, DepartmentFactory, LotFactory

NOON = datetime(2026, 3, 4, 12, tzinfo=UTC)


def test_ledger_that_balances_is_reported_as_such(stocked_cart, capsys):
    call_command("check_ledger")

    assert capsys.readouterr().out == "Every balance equals the sum of its movements. Movements: 1.\n"


def test_every_balance_that_was_changed_behind_the_ledgers_back_is_reported(stocked_cart, tube, technician, capsys):
    lot = LotFactory(consumable=tube, number="A12")
    ledger.receive(place=stocked_cart, consumable=tube, lot=lot, quantity=4, by=technician, at=NOON, key="r")
    Holding.objects.filter(place=stocked_cart, lot=None).update(quantity=6)
    Holding.objects.filter(place=stocked_cart, lot=lot).delete()
    Holding.objects.create(place=stocked_cart, consumable=ConsumableFactory(code="GHOST"), quantity=2)

    with pytest.raises(CommandError, match="differ from the ledger: 3"):
        call_command("check_ledger")

    assert capsys.readouterr().out.splitlines() == [
        "CART-1, ETT-7.0, lot A12: the ledger says 4, the balance says 0",
        "CART-1, ETT-7.0, no lot: the ledger says 5, the balance says 6",
        "CART-1, GHOST, no lot: the ledger says 0, the balance says 2",
    ]


def test_one_department_is_checked_without_the_others(stocked_cart, capsys):
    other = DepartmentFactory(code="other")
    elsewhere = CartFactory(department=other)
    Holding.objects.create(place=elsewhere, consumable=ConsumableFactory(department=other), quantity=2)

    call_command("check_ledger", department="main")

    assert "Movements: 1." in capsys.readouterr().out
    with pytest.raises(CommandError, match="differ from the ledger: 1"):
        call_command("check_ledger", department="other")
    with pytest.raises(CommandError, match="no department “nowhere”"):
        call_command("check_ledger", department="nowhere")


def test_lost_trigger_is_reported(stocked_cart, capsys):
    with connection.cursor() as cursor:
        for statement in append_only.dropping_sql("inventory_count", connection.vendor):
            cursor.execute(statement)

    with pytest.raises(CommandError, match=r"differ from the ledger: 0\. Triggers missing: 2\."):
        call_command("check_ledger")

    assert "lost its trigger inventory_count_refuse_update" in capsys.readouterr().out
