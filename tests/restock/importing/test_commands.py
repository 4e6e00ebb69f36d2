import io
from datetime import date

import openpyxl
import pytest
from django.contrib.auth import get_user_model
from django.core.management import CommandError, call_command

from inventory.models import Consumable, Count, Department, StockingLine
from restock.importing import ALL, KINDS
from restock.models import Case, Extra, Import, SizeClass

CATALOGUE = "code,name,section\nETT,Tracheal tube,airway\nKIT,Airway bundle,airway\n"
BUNDLES = "bundle,piece,pieces_per_bundle\nKIT,ETT,1\n"
PLACES = "place,kind,room,restocked_from\nMAIN,storeroom,,\nCART-1,room cart,OR-1,MAIN\n"
STOCK = "place,code,par,on_hand\nCART-1,ETT,5,4\n"
CASE_TYPES = "case_type,name\nCT01,Hernia\n"
SETUPS = "case_type,code\nCT01,ETT\n"
CASES = "date,room,case_type\n2026-03-04,OR-1,CT01\n"
USAGE = "date,room,order,code,used\n2026-03-04,OR-1,1,ETT,1\n"
SHEETS = dict(zip(KINDS, (CATALOGUE, BUNDLES, PLACES, STOCK, CASE_TYPES, SETUPS, CASES, USAGE), strict=True))


@pytest.fixture(autouse=True)
def people(department, supervisor):
    """A department and its supervisor, in whose name the commands load."""


def run(command, *arguments, **options):
    out = io.StringIO()
    call_command(command, *map(str, arguments), stdout=out, **options)
    return out.getvalue()


def folder(tmp_path, **changed):
    for kind, content in (SHEETS | changed).items():
        (tmp_path / f"{kind}.csv").write_text(content)
    (tmp_path / "notes.csv").write_text("not,a,kind\n")
    return tmp_path


def workbook(tmp_path, **changed):
    book = openpyxl.Workbook()
    for kind, content in reversed((SHEETS | changed).items()):
        sheet = book.create_sheet(kind.upper())
        for line in content.splitlines():
            sheet.append(line.split(","))
    book.save(tmp_path / "all.xlsx")
    return tmp_path / "all.xlsx"


@pytest.mark.parametrize("bring", [folder, workbook])
def test_everything_loads_at_once_and_again_changes_nothing(tmp_path, bring):
    path = bring(tmp_path)

    first = run("load", ALL, path)
    again = run("load", ALL, path)

    assert first.splitlines()[0].startswith("catalogue from")
    assert Case.objects.get().usage.get().used == 1
    assert again.count("Nothing changed.") == len(KINDS)
    assert Import.objects.count() == len(KINDS)


@pytest.mark.parametrize("bring", [folder, workbook])
def test_one_faulty_sheet_keeps_all_out_and_every_fault_is_told(tmp_path, bring):
    path = bring(tmp_path, catalogue=CATALOGUE + "X,,airway\n", cases=CASES + "2026-03-04,OR-7,CT01\n")

    with pytest.raises(CommandError) as refused:
        run("load", ALL, path)

    text = str(refused.value)
    assert "row 4, column “name”: found nothing" in text
    assert "expected the problems of catalogue to be mended first" in text
    assert text.endswith("Nothing was loaded.")
    assert "ETT" not in text  # the stock's code is not called unknown only because the catalogue is faulty
    assert not Consumable.objects.exists()
    assert not Case.objects.exists()


def test_faults_of_sheets_that_do_not_need_each_other_are_told_together(tmp_path):
    path = folder(tmp_path, stock="place,code,par\nCART-1,ETX,5\n", cases=CASES + "2026-03-04,OR-7,CT01\n")

    with pytest.raises(CommandError) as refused:
        run("load", ALL, path)

    assert "stock.csv, row 2, column “code”" in str(refused.value)
    assert "cases.csv, row 3, column “room”" in str(refused.value)


def test_dry_run_says_what_would_happen_and_writes_nothing(tmp_path):
    said = run("load", ALL, folder(tmp_path), dry_run=True)

    assert "cases added: 1" in said
    assert said.splitlines()[-1] == "Nothing was written: this was a dry run."
    assert not Consumable.objects.exists()
    assert not Import.objects.exists()


def test_own_headings_are_translated_and_unknown_ones_named(tmp_path):
    (tmp_path / "parts.csv").write_text("Article no.;Description;Price\n0042;Tracheal tube;3,20\n")
    (tmp_path / "map.toml").write_text('[columns]\n"Article no." = "code"\nDescription = "name"\n')

    said = run("load", "catalogue", tmp_path / "parts.csv", columns=tmp_path / "map.toml")

    assert Consumable.objects.get().code == "0042"
    assert "Columns that were ignored: “Price”." in said
    assert "3,20" not in said


OWN = {
    "Artikel": "code",
    "Bezeichnung": "name",
    "Saal": "room",
    "Datum": "date",
    "Wagen": "place",
    "Eingriff": "case_type",
    "Anzahl": "used",
}
OWN_MAP = """date_order = "dmy"

[columns]
Artikel = "code"
Saal = "room"
Datum = "date"
Wagen = "place"
Anzahl = "used"

[columns.catalogue]
Bezeichnung = "name"

[columns.case-types]
Eingriff = "case_type"
Bezeichnung = "name"

[columns.setups]
Eingriff = "case_type"

[columns.cases]
Eingriff = "case_type"
"""


def in_own_words(content):
    headings, _, rest = content.partition("\n")
    ours = {name: heading for heading, name in OWN.items()}
    return (
        ",".join(ours.get(name, name) for name in headings.split(",")) + "\n" + rest.replace("2026-03-04", "4.3.2026")
    )


@pytest.mark.parametrize("bring", [folder, workbook])
def test_everything_with_a_departments_own_headings_loads_by_one_map(tmp_path, bring):
    path = bring(tmp_path, **{kind: in_own_words(content) for kind, content in SHEETS.items()})
    (tmp_path / "ours.toml").write_text(OWN_MAP)

    said = run("load", ALL, path, columns=tmp_path / "ours.toml")

    assert Case.objects.get().usage.get().used == 1
    assert Case.objects.get().date == date(2026, 3, 4)
    assert "ignored" not in said
    assert "not here" not in said


@pytest.mark.parametrize("bring", [folder, workbook])
def test_everything_with_unknown_headings_and_no_map_is_refused_sheet_by_sheet(tmp_path, bring):
    path = bring(tmp_path, **dict.fromkeys(SHEETS, "x,y\n1,2\n"))

    with pytest.raises(CommandError) as refused:
        run("load", ALL, path)

    assert str(refused.value).count("none of the standard headings") == len(KINDS)


def test_one_map_serves_the_load_of_one_kind_too(tmp_path):
    (tmp_path / "parts.csv").write_text("Artikel,Bezeichnung,section\nETT,Tracheal tube,airway\n")
    (tmp_path / "ours.toml").write_text(OWN_MAP)

    run("load", "catalogue", tmp_path / "parts.csv", columns=tmp_path / "ours.toml")

    assert Consumable.objects.get().name == "Tracheal tube"


def test_only_pars_leaves_the_counts_alone(tmp_path):
    run("load", ALL, folder(tmp_path), only_pars=True)

    assert StockingLine.objects.get().par == 5
    assert not Count.objects.exists()


@pytest.mark.parametrize(
    ("name", "content", "message"),
    [
        ("all.csv", CATALOGUE, "a workbook"),
        ("all.xlsx", "no zip", "expected"),
        ("missing.xlsx", None, "missing.xlsx"),
    ],
)
def test_file_that_cannot_hold_all_kinds_is_refused(tmp_path, name, content, message):
    if content:
        (tmp_path / name).write_text(content)

    with pytest.raises(CommandError, match=message):
        run("load", ALL, tmp_path / name)


def test_load_without_a_supervisor_says_how_to_get_one(tmp_path, supervisor):
    supervisor.delete()

    with pytest.raises(CommandError, match="begin"):
        run("load", ALL, folder(tmp_path))


def test_count_is_signed_by_the_user_who_is_named(tmp_path, technician):
    run("load", ALL, folder(tmp_path), by="technician")

    assert Count.objects.get().by == technician


@pytest.mark.parametrize("kind", [*KINDS, ALL])
def test_blank_workbook_loads_and_changes_nothing(tmp_path, kind):
    run("blank", kind, tmp_path / "blank.xlsx")

    assert "Nothing changed" in run("load", kind, tmp_path / "blank.xlsx")


def test_blank_workbook_that_was_filled_in_loads(tmp_path):
    run("blank", ALL, tmp_path / "sheets.xlsx")
    book = openpyxl.load_workbook(tmp_path / "sheets.xlsx")
    for kind, content in SHEETS.items():
        headings = [cell.value for cell in book[kind][1]]
        names, *rows = (line.split(",") for line in content.splitlines())
        for number, row in enumerate(rows, start=2):
            for name, value in zip(names, row, strict=True):
                book[kind].cell(number, headings.index(name) + 1, value or None)
    book.save(tmp_path / "sheets.xlsx")

    run("load", ALL, tmp_path / "sheets.xlsx")

    assert StockingLine.objects.get().par == 5
    assert Case.objects.get().usage.count() == 1


def test_blank_never_writes_over_a_file(tmp_path):
    (tmp_path / "mine.xlsx").write_text("filled in for hours")

    with pytest.raises(CommandError, match="is there already"):
        run("blank", "stock", tmp_path / "mine.xlsx")

    assert (tmp_path / "mine.xlsx").read_text() == "filled in for hours"


def test_begin_opens_a_department_with_its_supervisor(monkeypatch):
    monkeypatch.setenv("SUPERVISOR_PASSWORD", "correct horse battery")

    said = run("begin", "Royal Infirmary", user="anna", time_zone="Europe/London")

    opened = Department.objects.get(code="royal-infirmary")
    assert opened.size_classes.get(is_default=True).code == "adult"
    assert set(opened.extras.values_list("code", flat=True)) == {
        "arterial-line-set",
        "central-line-set",
        "ultrasound-guided-access",
        "fluid-warming-set",
        "difficult-airway-standby",
        "pacing-magnet",
        "defibrillator-standby",
    }
    anna = get_user_model().objects.get(username="anna")
    assert anna.check_password("correct horse battery")
    assert anna.groups.get().name == "supervisor"
    assert "manage.py blank all" in said


def test_begin_again_keeps_what_people_edited(monkeypatch, department):
    SizeClass.objects.filter(code="toddler").delete()
    Extra.objects.filter(code="pacing-magnet").update(name="magnet")

    run("begin", "Anaesthesia", code="main")

    assert not SizeClass.objects.filter(code="toddler").exists()
    assert Extra.objects.get(code="pacing-magnet").name == "magnet"


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ({"time_zone": "London"}, "London is not a time zone"),
        ({"user": "anna", "password": "12345"}, "too short"),
        ({"code": "two words"}, "slug"),
    ],
)
def test_begin_that_cannot_stand_says_why_and_opens_nothing(monkeypatch, options, message):
    monkeypatch.setenv("SUPERVISOR_PASSWORD", options.pop("password", "correct horse battery"))

    with pytest.raises(CommandError, match=message):
        run("begin", "Royal Infirmary", **options)

    assert Department.objects.count() == 1
    assert not get_user_model().objects.filter(username="anna").exists()


def test_size_classes_meet_without_gap_or_overlap(department):
    """ICH E11 (2000, from memory): newborn 0 to 27 days, adolescents from 12 years. The rest is common practice."""
    bounds = list(
        department.size_classes.filter(sex="").order_by("position").values_list("age_days_from", "age_days_below")
    )

    assert bounds[0] == (0, 28)
    assert [below for _, below in bounds[:-1]] == [start for start, _ in bounds[1:]]
    assert bounds[-1][1] is None
    assert department.size_classes.get(code="adolescent").age_days_from == 4383  # 12 x 365.25
