"""Every sheet that goes out can come back to a site that speaks another language."""

from datetime import UTC, datetime
from io import BytesIO

import pytest
from django.conf import settings
from django.utils.translation import gettext, override
from openpyxl import load_workbook

from inventory.models import Department
from restock.sheets.bundle_sheets import MAKE_UP
from restock.sheets.count_sheets import COUNT
from restock.sheets.delivery_sheets import DELIVERY
from restock.sheets.expiry_sheets import PULL
from restock.sheets.order_sheets import REQUISITION
from restock.sheets.recall_sheets import SWEEP
from restock.sheets.seal_sheets import CHECK
from restock.sheets.stand_in_sheets import STAND_INS
from restock.workbook.cells import in_every_language
from restock.workbook.forms import Row, read_form, write_form

FORMS = (CHECK, COUNT, DELIVERY, MAKE_UP, PULL, REQUISITION, STAND_INS, SWEEP)
MADE_AT = datetime(2026, 3, 4, 17, 5, tzinfo=UTC)
DEPARTMENT = Department(code="main", name="Anaesthesia", time_zone="UTC")


@pytest.mark.parametrize("form", FORMS, ids=lambda form: form.kind)
def test_no_title_of_a_form_is_another_one_in_any_language(form):
    known = [in_every_language(title) for title in form.titles]

    assert sum(map(len, known)) == len(frozenset.union(*known))


@pytest.mark.parametrize("language", [code for code, _ in settings.LANGUAGES])
@pytest.mark.parametrize("form", FORMS, ids=lambda form: form.kind)
def test_a_form_is_read_back_whatever_language_it_was_written_in(form, language, tmp_path):
    printed = tuple("TUBE" if column.identifies else None for column in form.printed)
    asked = next(one for one in form.asked if not one.is_text)
    with override(language):
        written = write_form(
            form, [Row("11", printed)], department=DEPARTMENT, about="one-1", lines=["Today."], made_at=MADE_AT
        )
        title, typed = gettext(asked.title), 1
    workbook = load_workbook(BytesIO(written))
    sheet = workbook.active
    heading = next(row for row in sheet.iter_rows() if any(cell.value == title for cell in row))
    column = next(cell.column for cell in heading if cell.value == title)
    sheet.cell(heading[0].row + 1, column).value = typed
    workbook.save(tmp_path / "sheet.xlsx")

    [answer] = read_form(form, tmp_path / "sheet.xlsx", department=DEPARTMENT).answers

    assert answer[asked.name] == typed
