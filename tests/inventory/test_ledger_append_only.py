"""The database itself keeps the ledger: whoever asks, rows that were written stay as they are."""

from datetime import UTC, date, datetime

import pytest
from django.core.management import call_command
from django.db import IntegrityError, connection, transaction

from inventory import append_only, ledger
from inventory.models import Count, Movement
from restock.models import UsageRecord

NOON = datetime(2026, 3, 4, 12, tzinfo=UTC)


@pytest.fixture(params=[Movement, Count, UsageRecord])
def written_once(request, stocked_cart, room, tube, clinician):
    """The rows of one append-only table, not none."""
    use = ledger.use(place=stocked_cart, consumable=tube, quantity=1, by=clinician, at=NOON, key="use-1")
    UsageRecord.objects.create(
        department=room.department, room=room, date=date(2026, 3, 4), consumable=tube, used=1, movement=use
    )
    return request.param.objects.all()


def test_row_that_was_written_cannot_be_changed(written_once):
    with pytest.raises(IntegrityError, match="append-only"), transaction.atomic():
        written_once.update(consumable=None)


def test_row_that_was_written_cannot_be_deleted(written_once):
    before = written_once.count()

    with pytest.raises(IntegrityError, match="Record a correction instead"), transaction.atomic():
        written_once._raw_delete(written_once.db)

    assert before == written_once.count() > 0


@pytest.mark.django_db
def test_every_append_only_table_has_its_triggers_after_all_migrations():
    assert append_only.missing_triggers(connection) == []


@pytest.mark.django_db(transaction=True)
def test_triggers_are_back_after_a_test_that_emptied_the_tables(stocked_cart):
    call_command("flush", interactive=False, verbosity=0)

    assert not Movement.objects.exists()
    assert append_only.missing_triggers(connection) == []
