import pytest

from inventory.importing.problems import SheetRefused
from inventory.models import Basis
from restock.models import Extra, SetupStandard
from tests.factories import CaseTypeFactory, ConsumableFactory, SizeRunFactory

SHEET = """case_type,size_class,extra,code,size_run,probability,quantity,basis
CT01,,,BAG,,,1,
CT01,child,,,Tubes,0.9,1,per_case
CT01,,,SYR,,0.5,2.5,
,,arterial line set,SYR,,1,1,
,child,,T40,,0.7,1,
"""


@pytest.fixture(autouse=True)
def facts(department):
    run = SizeRunFactory(code="tubes", name="Tubes")
    ConsumableFactory(code="T40", size_run=run, size_position=1)
    ConsumableFactory(code="BAG", basis=Basis.PER_ROOM_DAY)
    ConsumableFactory(code="SYR")
    CaseTypeFactory(code="CT01", department=department)
    CaseTypeFactory(code="CT02", department=department)


def rows():
    fields = ("case_type__code", "size_class__code", "extra__code", "consumable__code", "size_run__code")
    return set(SetupStandard.objects.values_list(*fields, "probability", "quantity", "basis"))


def test_rows_become_the_standard(load):
    load("setups", SHEET)

    assert rows() == {
        ("CT01", None, None, "BAG", None, 1.0, 1.0, "per_room_day"),
        ("CT01", "child", None, None, "tubes", 0.9, 1.0, "per_case"),
        ("CT01", None, None, "SYR", None, 0.5, 2.5, "per_case"),
        (None, None, "arterial-line-set", "SYR", None, 1.0, 1.0, "per_case"),
        (None, "child", None, "T40", None, 0.7, 1.0, "per_case"),
    }


def test_same_setups_again_change_nothing(load):
    load("setups", SHEET)

    assert not load("setups", SHEET).changed


def test_row_taken_out_of_a_standard_is_removed_and_other_standards_stay(load):
    load("setups", SHEET + "CT02,,,SYR,,1,1,\n")

    outcome = load("setups", "case_type,code,probability\nCT01,SYR,0.6\n")

    assert {row[:5] for row in rows() if row[0] == "CT01"} == {("CT01", None, None, "SYR", None)}
    assert len(rows()) == 4
    assert (outcome.counts["set-up rows removed"], outcome.counts["set-up rows updated"]) == (2, 1)


def test_extra_that_is_new_is_made_and_said(load):
    outcome = load("setups", "extra,code\nCell salvage set,SYR\n")

    assert Extra.objects.get(code="cell-salvage-set").name == "Cell salvage set"
    assert outcome.notes == ["Extras that were not known before: Cell salvage set."]


@pytest.mark.parametrize(
    ("row", "message"),
    [
        ("CT1,,,SYR,,,,", "found “CT1”; expected a known case type; the nearest are “CT01”"),
        ("CT01,kid,,SYR,,,,", "column “size_class”: found “kid”; expected a known size class"),
        ("CT01,,,SYRR,,,,", "found “SYRR”; expected a code of the catalogue; the nearest are “SYR”"),
        ("CT01,,,SYR,Tubes,,,", "expected a code or a size run, not both"),
        ("CT01,,,,,,,", "column “code”: found nothing; expected the code of a line, or a size run"),
        (",,,SYR,,,,", "expected a case type, or an extra, or a size class together with the code"),
        ("CT01,,,SYR,,70,,", "expected a probability from 0 to 1, such as 0.25 (not 25 and not 25%)"),
        ("CT01,,,SYR,,0,,", "expected more than 0; take the row out if it is never opened"),
        ("CT01,,,,Tubes,,,per_room_day", "expected per_case for a size run, or one code instead"),
        ("CT01,,,BAG,,,,\nCT01,,,BAG,,,,", "row 3, column “code”: found the same as in row 2"),
    ],
)
def test_fault_in_the_setups_is_named_and_nothing_is_written(load, row, message):
    with pytest.raises(SheetRefused) as refused:
        load("setups", f"{SHEET.splitlines()[0]}\n{row}\n")

    assert message in str(refused.value)
    assert not rows()
