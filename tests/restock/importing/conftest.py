from datetime import UTC, datetime

import pytest

from restock.importing import KINDS, Sheet
from restock.importing import load as load_sheets
from restock.setting_up.departments import begin_department

EVENING = datetime(2026, 3, 3, 20, tzinfo=UTC)


@pytest.fixture
def department(db):
    """The department `main` as `begin` leaves it: size classes, extras, policy. It lives in UTC."""
    return begin_department(code="main", name="Anaesthesia")


@pytest.fixture
def load(department, technician, tmp_path):
    """Load a CSV text as one kind of sheet, on the evening of 3 March 2026 unless told otherwise."""

    def load_text(kind, content, at=EVENING, **options):
        path = tmp_path / f"{kind}.csv"
        path.write_text(content, encoding="utf-8")
        sheets = [Sheet(KINDS[kind], path)]
        return load_sheets(sheets, department=department, by=technician, at=at, **options)[0].outcome

    return load_text
