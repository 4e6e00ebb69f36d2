import pytest

from inventory.importing import bundles
from inventory.importing.problems import SheetRefused
from inventory.models import BundlePiece
from tests.factories import ConsumableFactory

SHEET = """bundle,piece,pieces_per_bundle
BU01,VP01,
BU01,SK06,2
BU02,VP01,1
"""


@pytest.fixture(autouse=True)
def lines(department):
    for code in ("BU01", "BU02", "VP01", "SK06"):
        ConsumableFactory(code=code)


def contents():
    return set(BundlePiece.objects.values_list("bundle__code", "piece__code", "pieces_per_bundle"))


def test_rows_become_content_lists(load):
    load(bundles, SHEET)

    assert contents() == {("BU01", "VP01", 1), ("BU01", "SK06", 2), ("BU02", "VP01", 1)}
    assert not load(bundles, SHEET).changed


def test_sheet_holds_the_whole_list_of_the_bundles_it_names_and_of_no_other(load):
    load(bundles, SHEET)

    outcome = load(bundles, "bundle,piece,pieces_per_bundle\nBU01,SK06,3\n")

    assert contents() == {("BU01", "SK06", 3), ("BU02", "VP01", 1)}
    assert (outcome.counts["lines of bundles updated"], outcome.counts["lines of bundles removed"]) == (1, 1)


@pytest.mark.parametrize(
    ("row", "found"),
    [
        ("BU01,BU01,1", "another line than the bundle itself"),
        ("BU01,SK06,1", "the same as in row 3"),
        ("BU09,SK06,1", "BU09"),
        ("BU01,SK06,0", "row 5"),
    ],
)
def test_row_that_cannot_be_meant_refuses_the_sheet(load, row, found):
    with pytest.raises(SheetRefused) as refusal:
        load(bundles, SHEET + row + "\n")

    assert any(found in str(problem) for problem in refusal.value.problems)
    assert not contents()
