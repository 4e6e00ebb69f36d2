import pytest

from inventory.importing.problems import SheetRefused
from restock.models import CaseType, Technique

SHEET = """case_type,name,specialty,technique,typical_minutes
CT01,Laparoscopic cholecystectomy,General surgery,"GA, tracheal tube",110
CT02,Hysteroscopy,Gynaecology,GA tracheal tube,25
CT03,,,,
"""


def test_case_types_and_their_techniques_are_made(load):
    outcome = load("case-types", SHEET)

    assert dict(CaseType.objects.values_list("code", "technique__code")) == {
        "CT01": "ga-tracheal-tube",
        "CT02": "ga-tracheal-tube",
        "CT03": "not-stated",
    }
    assert outcome.counts == {"case types added": 3, "case types updated": 0, "techniques added": 2}
    assert CaseType.objects.get(code="CT03").name == "CT03"


def test_same_case_types_again_change_nothing(load):
    load("case-types", SHEET)

    assert not load("case-types", SHEET).changed


def test_column_left_out_keeps_what_is_recorded(load):
    load("case-types", SHEET)

    load("case-types", "case_type,name\nCT01,Cholecystectomy\n")

    known = CaseType.objects.get(code="CT01")
    assert (known.name, known.specialty, known.typical_minutes) == ("Cholecystectomy", "General surgery", 110)


def test_case_type_named_twice_is_refused(load):
    with pytest.raises(SheetRefused, match=r"row 3, column “case_type”: found “A” again, first in row 2"):
        load("case-types", "case_type\nA\nA\n")

    assert not Technique.objects.exists()
