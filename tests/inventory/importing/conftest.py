import pytest
from django.db import transaction
from openpyxl import Workbook

from inventory.importing.columns import Column
from inventory.importing.loading import Loading, source_of
from inventory.importing.sheets import open_table
from inventory.importing.values import Barcode, Choice, Clock, Code, Date, Number, TextList, Whole
from tests.conftest import NOON

COLUMNS = (
    Column("code", "The department's code", Code(), required=True),
    Column("used", "Pieces used", Whole(), required=True),
    Column("day", "Day of use", Date()),
    Column("start", "Planned start", Clock()),
    Column("barcode", "On the pack", Barcode()),
    Column("basis", "How it is used up", Choice(("per case", "per room-day"))),
    Column("extras", "Booked extras", TextList()),
    Column("weight_kg", "Weight", Number(), private=True),
)


@pytest.fixture
def workbook(tmp_path):
    """Write rows to a new .xlsx file; several sheets as keywords."""

    def write(*rows, name="stock.xlsx", epoch=None, **sheets):
        book = Workbook()
        if epoch:
            book.epoch = epoch
        book.remove(book.active)
        for title, content in {**({"Sheet1": rows} if rows else {}), **sheets}.items():
            sheet = book.create_sheet(title)
            for row in content:
                sheet.append(row)
        book.save(tmp_path / name)
        return tmp_path / name

    return write


@pytest.fixture
def csv_file(tmp_path):
    def write(content, name="stock.csv", encoding="utf-8"):
        path = tmp_path / name
        path.write_bytes(content if isinstance(content, bytes) else content.encode(encoding))
        return path

    return write


@pytest.fixture
def load(department, technician, csv_file):
    """Load a CSV text with a loader module of `inventory.importing`, as one command does: all or nothing."""

    def load_text(loader, content, at=NOON, **options):
        path = csv_file(content)
        table = open_table(path, loader.COLUMNS)
        loading = Loading(department=department, table=table, source=source_of(path, table.sheet), by=technician, at=at)
        with transaction.atomic():
            return loader.load(list(table.rows()), loading, **options)

    return load_text
