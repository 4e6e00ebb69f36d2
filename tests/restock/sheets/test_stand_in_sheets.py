"""Stand-ins proposed on a sheet: never more than cards that wait for a clinician, by the rules of the page."""

from datetime import date, timedelta
from io import BytesIO

import pytest
from openpyxl import load_workbook

from inventory import orders
from inventory.importing.problems import SheetRefused
from inventory.models import Connector, NamedStandIn
from inventory.orders import Wanted
from restock.models import Substitution
from restock.sheets.stand_in_sheets import STAND_INS, apply_proposals, write_proposals
from restock.stock_life import substitutions
from restock.workbook import Paper
from restock.workbook.forms import read_form
from tests.conftest import NOON
from tests.factories import ConsumableFactory

TODAY = NOON.date()
LAST = date(2026, 4, 30)
WRISTBAND = "8018412345678901234566"


@pytest.fixture
def bougie(department):
    return ConsumableFactory(code="BOUGIE", name="Bougie", size="15 Fr")


@pytest.fixture
def stylet(department):
    return ConsumableFactory(code="STYLET", name="Stylet", size="14 Fr")


@pytest.fixture
def named(bougie, stylet):
    return NamedStandIn.objects.create(
        wanted=bougie, stand_in=stylet, rule="different technique", source="common practice"
    )


@pytest.fixture
def owed(bougie, storeroom, supervisor):
    """Bougies are on back-order."""
    made = orders.start_order(storeroom=storeroom, number="R-1", lines=[Wanted(bougie, 1, 5)], by=supervisor, at=NOON)
    orders.place_order(order=made, by=supervisor, at=NOON)
    orders.tell_back_order(line=made.lines.get(), by=supervisor, at=NOON, key="owed", expected_on=LAST)


@pytest.fixture
def write(department):
    return lambda **told: write_proposals(department, None, on=TODAY, at=NOON, **told)


@pytest.fixture
def bring(tmp_path, department, technician):
    """`bring(sheet, ("BOUGIE", {...}))`: rows filled in, the first of a code each time."""

    def back(data, *told, at=NOON + timedelta(hours=1), by=technician):
        book = load_workbook(BytesIO(data))
        sheet = book.active
        heading = next(row for row in sheet.iter_rows() if row[0].value == "Code")
        columns = {cell.value: cell.column for cell in heading}
        rows = [row for row in sheet.iter_rows(min_row=heading[0].row + 1) if row[columns["Reference"] - 1].value]
        for code, cells in told:
            row = next(row for row in rows if (row[0].value or "") == code)
            rows.remove(row)
            for title, value in cells.items():
                row[columns[title] - 1].value = value
        path = tmp_path / "back.xlsx"
        book.save(path)
        filled = read_form(STAND_INS, path, department=department, about="stand-ins")
        return apply_proposals(filled, department=department, by=by, at=at)

    return back


def table(data):
    sheet = load_workbook(BytesIO(data)).active
    rows = [[cell.value for cell in row] for row in sheet.iter_rows()]
    start = next(n for n, row in enumerate(rows) if row[0] == "Code")
    return rows[start + 1 :]


def test_what_is_owed_goes_out_with_what_the_catalogue_names_for_it(owed, named, write):
    [row] = [row for row in table(write()) if row[0] == "BOUGIE"]

    assert row[1] == "Bougie, 15 Fr"
    assert row[2] == "Stylet, 14 Fr; size 14 Fr instead of 15 Fr; different technique; common practice"
    assert row[4] == "STYLET"


def test_what_may_never_be_is_not_offered(owed, named, bougie, stylet, write):
    bougie.connector, stylet.connector = Connector.NEURAXIAL, Connector.LUER
    for line in (bougie, stylet):
        line.save()

    [row] = [row for row in table(write()) if row[0] == "BOUGIE"]
    assert (row[2], row[4]) == (None, None)


def test_every_line_that_the_catalogue_names_one_for_goes_out_where_asked(named, write):
    assert not [row for row in table(write()) if row[0] == "BOUGIE"]
    assert [row for row in table(write(every=True)) if row[0] == "BOUGIE"]


def test_sheet_that_comes_back_as_it_went_out_proposes_nothing(owed, named, write, bring):
    assert bring(write()).startswith("0 cards proposed")
    assert not Substitution.objects.exists()


def test_row_with_its_last_day_is_a_card_that_waits_for_a_clinician(
    owed, named, write, bring, technician, clinician, department
):
    assert bring(write(), ("BOUGIE", {"Until": LAST, "Why": "back-order"})).startswith("1 card proposed")

    card = Substitution.objects.get()
    assert (card.proposed_by, card.agreed_at, card.until, card.why) == (technician, None, LAST, "back-order")
    assert (card.differences, card.differs_in_size) == ("size 14 Fr instead of 15 Fr", True)
    assert not substitutions.active(department, on=TODAY)
    assert substitutions.agree(card, by=clinician, at=NOON).agreed_by == clinician


def test_clinician_who_brings_the_sheet_cannot_agree_to_it(owed, named, write, bring, clinician):
    bring(write(), ("BOUGIE", {"Until": LAST}), by=clinician)

    with pytest.raises(substitutions.NotAllowed, match="You proposed it"):
        substitutions.agree(Substitution.objects.get(), by=clinician, at=NOON)


def test_line_that_was_not_printed_goes_into_a_row_at_the_end(bougie, stylet, write, bring):
    told = {"Missing, if another line": "BOUGIE", "May stand in": "STYLET", "Until": LAST, "Latex differs": "yes"}
    bring(write(), ("", told))

    card = Substitution.objects.get()
    assert (card.wanted, card.stand_in, card.differs_in_latex) == (bougie, stylet, True)


def test_same_sheet_twice_proposes_once_even_where_a_clinician_has_refused(owed, named, write, bring, clinician):
    sheet, told = write(), ("BOUGIE", {"Until": LAST})
    bring(sheet, told)
    assert bring(sheet, told).endswith("1 row was proposed before.")
    substitutions.end(Substitution.objects.get(), by=clinician, at=NOON)

    assert bring(sheet, told).startswith("0 cards proposed")
    assert Substitution.objects.count() == 1


NEURAXIAL = "Luer and neuraxial connectors never stand in for each other"
OTHER = {"Missing, if another line": "BOUGIE", "May stand in": "STYLET", "Until": LAST}


@pytest.mark.parametrize(
    ("told", "column", "expected"),
    [
        ({"Until": None}, "Until", "the last day on which it may stand in"),
        ({"Until": TODAY - timedelta(days=1)}, "Until", "a day that has not passed"),
        ({"May stand in": "STYLETT"}, "May stand in", "the nearest are “STYLET”"),
        ({"May stand in": "BOUGIE"}, "May stand in", "A line cannot stand in for itself"),
        ({"May stand in": "SPINAL"}, "May stand in", NEURAXIAL),
        ({"May stand in": None}, "May stand in", "a code of the catalogue"),
        ({"Missing, if another line": None}, "Missing, if another line", "a code of the catalogue"),
        ({"Size differs": "no"}, "Size differs", "yes or an empty cell: by the catalogue they differ"),
        ({"May stand in": "TWIN"}, "What differs, in words", "the catalogue knows no difference"),
        ({"Why": "for 4471203"}, "Why", "never about a person"),
    ],
)
def test_rule_that_a_row_breaks_is_named_at_its_cell_and_nothing_is_proposed(
    bougie, stylet, write, bring, told, column, expected
):
    bougie.connector = Connector.LUER
    bougie.save()
    stylet.connector = Connector.LUER
    stylet.save()
    ConsumableFactory(code="SPINAL", name="Spinal needle", connector=Connector.NEURAXIAL)
    ConsumableFactory(code="TWIN", name="Bougie", size="15 Fr", connector=Connector.LUER)
    good = {"Missing, if another line": "STYLET", "May stand in": "BOUGIE", "Until": LAST}

    with pytest.raises(SheetRefused) as refused:
        bring(write(), ("", good), ("", OTHER | told))

    [problem] = refused.value.problems
    assert problem.column.endswith(f", {column}")
    assert expected.casefold() in str(problem).casefold()
    assert not Substitution.objects.exists()


def test_card_that_waits_already_is_not_written_twice(bougie, stylet, write, bring, technician):
    substitutions.propose(
        wanted=bougie, stand_in=stylet, in_words="stiffer", until=LAST, by=technician, at=NOON - timedelta(days=1)
    )

    with pytest.raises(SheetRefused, match="There is a card for this already"):
        bring(write(), ("", OTHER))


@pytest.mark.parametrize("column", ["Missing, if another line", "May stand in", "What differs, in words", "Why"])
@pytest.mark.parametrize("code", [WRISTBAND, "4471203"])
def test_code_or_number_about_a_person_is_refused_and_not_repeated(bougie, stylet, write, bring, column, code):
    with pytest.raises(SheetRefused) as refused:
        bring(write(), ("", OTHER | {column: code}))

    assert code[4:] not in str(refused.value)
    assert not Substitution.objects.exists()


def test_printed_page_fits_the_width_of_a4_and_letter(owed, named, write):
    for paper in Paper:
        sheet = load_workbook(BytesIO(write(paper=paper))).active
        assert (sheet.page_setup.fitToWidth, sheet.sheet_properties.pageSetUpPr.fitToPage) == (1, True)
