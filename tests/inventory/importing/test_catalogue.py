import pytest

from inventory.importing import catalogue
from inventory.importing.problems import SheetRefused
from inventory.models import Consumable, Criticality, Latex, NamedStandIn, Packaging, Section
from tests.factories import ConsumableFactory, PackagingFactory

TUBES = """code,name,section,category,size_run,size,pieces_per_pack,barcode,critical,latex
T60,"Tracheal tube, cuffed",airway,Tubes,Tracheal tube cuffed,6.0,10,4006381333931,no,not_made_with
T70,"Tracheal tube, cuffed",airway,Tubes,Tracheal tube cuffed,7.0,10,,yes,
"""


def sizes(run="tracheal-tube-cuffed"):
    return list(Consumable.objects.filter(size_run__code=run).order_by("size_position").values_list("code", flat=True))


def test_catalogue_becomes_lines_runs_and_packs(load):
    outcome = load(catalogue, TUBES)

    tube = Consumable.objects.get(code="T70")
    assert (tube.label, tube.section, tube.criticality) == (
        "Tracheal tube, cuffed, 7.0",
        Section.AIRWAY,
        Criticality.NEVER_OUT,
    )
    assert tube.latex == Latex.NOT_STATED
    assert sizes() == ["T60", "T70"]
    # EAN-13 4006381333931 is the worked example of a check digit in many GS1 teaching texts (from memory).
    assert Packaging.objects.get(barcode="4006381333931").pieces_per_pack == 10
    assert outcome.counts["lines added"] == 2


def test_same_catalogue_again_changes_nothing(load):
    load(catalogue, TUBES)

    assert not load(catalogue, TUBES).changed


def test_sizes_of_a_whole_run_take_the_order_of_the_rows(load):
    load(catalogue, TUBES)
    heading, first, second = TUBES.splitlines()

    load(catalogue, "\n".join([heading, second, first]))

    assert sizes() == ["T70", "T60"]


def test_size_new_to_a_run_goes_behind_the_known_ones(load):
    load(catalogue, TUBES)

    load(catalogue, "code,name,size_run,size\nT55,Tube,Tracheal tube cuffed,5.5\n")

    assert sizes() == ["T60", "T70", "T55"]


def test_column_that_is_not_in_the_sheet_leaves_what_is_recorded(load):
    load(catalogue, TUBES)

    load(catalogue, "code,name\nT70,Tube\n")

    tube = Consumable.objects.get(code="T70")
    assert (tube.name, tube.criticality, tube.size) == ("Tube", Criticality.NEVER_OUT, "7.0")


def test_section_is_taken_from_the_category_where_none_is_named(load):
    outcome = load(catalogue, "code,name,category\nS1,Yankauer,Suction and gastric\nX1,Thing,Other\n")

    assert dict(Consumable.objects.values_list("code", "section")) == {"S1": Section.SUCTION, "X1": Section.SPECIAL}
    assert outcome.notes[0].startswith("The section of 2 new lines was taken from the category")


def test_new_barcode_joins_the_older_one(load, department):
    line = ConsumableFactory(code="T70")
    PackagingFactory(consumable=line, barcode="4006381333931", pieces_per_pack=10)

    load(catalogue, "code,name,pieces_per_pack,barcode\nT70,Tube,20,96385074\n")

    assert dict(line.packagings.values_list("barcode", "pieces_per_pack")) == {"4006381333931": 10, "96385074": 20}


@pytest.mark.parametrize(
    ("rows", "message"),
    [
        ("A,Tube,,\nA,Tube,,\n", "row 3, column “code”: found “A” again, first in row 2"),
        ("A,Tube,96385074,\nB,Tube,96385074,\n", "row 3, column “barcode”: found “96385074” again"),
        ("A,Tube,4006381333931,\n", "belongs to “KNOWN”; expected a barcode that no other line has"),
        ("A,Tube,6385074,\n", "8, 12, 13 or 14 digits, not 7: zeros in front may have been lost"),
        ("A,Tube,,2\nB,Tube,,2\n", "row 3, column “size_position”: found 2, which row 2 has"),
    ],
)
def test_fault_in_the_catalogue_is_named_and_nothing_is_written(load, rows, message):
    PackagingFactory(consumable=ConsumableFactory(code="KNOWN"), barcode="4006381333931")
    lines = "".join(f"{row}{',Run' if row[-1].isdigit() else ','}\n" for row in rows.splitlines())

    with pytest.raises(SheetRefused) as refused:
        load(catalogue, f"code,name,barcode,size_position,size_run\n{lines}")

    assert message in str(refused.value)
    assert list(Consumable.objects.values_list("code", flat=True)) == ["KNOWN"]


def test_connector_and_price_are_taken_and_loading_again_changes_nothing(load, department):
    sheet = "code,name,connector,price_per_piece\nSY01,Syringe,Luer,0.125\nSY02,Syringe,,\n"

    load(catalogue, sheet)
    again = load(catalogue, sheet)

    luer, unknown = department.consumables.order_by("code")
    assert (luer.connector, str(luer.price_per_piece)) == ("luer", "0.12")
    assert (unknown.connector, unknown.price_per_piece) == ("not_stated", None)
    assert again.counts["lines updated"] == 0


NAMED = "code,name,stand_ins,stand_in_rule,stand_in_source\n{}\nB,Second,,,\nC,Third,,,\n"
BOTH = NAMED.format("A,First,B; C,next size; clinician decides,common practice")


def named():
    return list(NamedStandIn.objects.values_list("wanted__code", "stand_in__code", "rule", "source"))


class TestStandIns:
    def test_are_named_one_way_with_their_rule_and_source(self, load):
        load(catalogue, BOTH)

        rule, source = "next size; clinician decides", "common practice"
        assert named() == [("A", "B", rule, source), ("A", "C", rule, source)]
        assert not load(catalogue, BOTH).changed

    def test_are_what_the_newest_sheet_says(self, load):
        load(catalogue, BOTH)
        outcome = load(catalogue, NAMED.format("A,First,C,a clinician decides,"))

        assert named() == [("A", "C", "a clinician decides", "")]
        assert (outcome.counts["stand-ins no longer named"], outcome.counts["named stand-ins updated"]) == (1, 1)

    def test_stay_where_the_sheet_has_no_column_for_them(self, load):
        load(catalogue, BOTH)
        load(catalogue, "code,name\nA,First\n")

        assert len(named()) == 2

    @pytest.mark.parametrize(
        ("code", "said"), [("A", "another line than the row's own"), ("X", "codes of the catalogue")]
    )
    def test_itself_or_an_unknown_line_is_refused(self, load, code, said):
        with pytest.raises(SheetRefused, match=said):
            load(catalogue, NAMED.format(f"A,First,{code},,"))
        assert not Consumable.objects.exists()
