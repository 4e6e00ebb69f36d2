"""The fictional department's files: sound codes, right check digits, and a set-up that the trade would recognise."""

import csv
from collections import defaultdict

import pytest
from django.utils import timezone

from inventory import ledger
from inventory.barcodes import normal_gtin
from inventory.models import StockingLine
from restock.demo.fiction import FIXTURES, read_fiction
from restock.importing import load, sheets_of
from restock.setting_up.departments import begin_department


def rows(name: str) -> list[dict[str, str]]:
    with (FIXTURES / name).open(newline="", encoding="utf-8") as source:
        return list(csv.DictReader(source))


@pytest.fixture(scope="module")
def catalogue() -> dict[str, dict[str, str]]:
    return {row["code"]: row for row in rows("catalogue.csv")}


def test_every_barcode_is_an_internal_gs1_number_with_its_check_digit(catalogue):
    # GS1 General Specifications, 2.1.13.2: RCN-13 with prefix 04 is for company-internal numbering.
    barcodes = [line["barcode"] for line in catalogue.values()]

    assert len(set(barcodes)) == len(barcodes) == 244
    for barcode in barcodes:
        assert barcode.startswith("04")
        assert normal_gtin(barcode) == "0" + barcode


def test_sizes_of_a_run_stand_in_order_without_a_gap(catalogue):
    runs = defaultdict(list)
    for line in catalogue.values():
        if line["size_run"]:
            runs[line["size_run"]].append(int(line["size_position"]))

    assert runs
    for run, positions in runs.items():
        assert sorted(positions) == list(range(1, len(positions) + 1)), run


# What is laid out for a general anaesthetic with a tracheal tube: common practice, no source.
LAID_OUT = {
    "laryngoscope blade": {"Laryngoscope blade, curved", "AL08"},
    "tracheal tube": {"Tracheal tube, cuffed"},
    "stylet": {"Stylet"},
    "cuff syringe": {"SY04"},
    "oral airway": {"Oropharyngeal airway"},
    "tongue depressor": {"AO14"},
    "nasal airway": {"Nasopharyngeal airway"},
    "bite block": {"AO13"},
    "temperature probe": {"Temperature probe"},
    "eye protection": {"TM04"},
    "heat and moisture exchanger": {"BR07"},
    "gas sampling line": {"BR10"},
    "suction tip and tubing": {"SU01", "SU02"},
    "ECG electrodes": {"ECG electrodes"},
    "fluid with giving set": {"FL01", "IF01"},
    "IV start set": {"VP08", "Peripheral IV catheter"},
    "flush": {"FL05"},
    "tape": {"AJ11", "SK05"},
    "syringes": {"SY03", "SY04", "SY05"},
    "labels": {"SY12"},
}


@pytest.mark.parametrize("item", LAID_OUT)
def test_set_up_for_a_general_anaesthetic_with_a_tube_holds_what_the_trade_lays_out(item):
    standard = {row["code"] or row["size_run"] for row in rows("setups.csv") if row["case_type"] == "CT01"}

    assert standard >= LAID_OUT[item]


def test_true_use_of_a_run_keeps_the_published_mean_whatever_the_patients_sex():
    # Baerg 2021, J Head Neck Anesth e35: 16.67 % first-time failure, so 1 / (1 - 0.1667) supraglottic airways a case.
    fiction = read_fiction()
    shares = fiction.types["CT02"].size_classes
    mean = sum(
        share * row.probability * row.quantity
        for size_class, share in shares.items()
        for row in fiction.rows_for("CT02", size_class)[""]
        if row.run == "Supraglottic airway"
    )

    assert mean == pytest.approx(1 / (1 - 0.1667), abs=0.001)


def test_no_flat_par_holds_for_eight_hysteroscopies_in_one_room():
    fiction = read_fiction()
    par = {row["code"]: int(row["par"]) for row in rows("stock.csv") if row["place"] == "OR-07 cart" and row["par"]}
    needed = defaultdict(float)
    for row in fiction.rows_for("CT13", "adult-female")[""]:
        needed[row.code] += 8 * row.probability * row.quantity

    assert {code for code, pieces in needed.items() if pieces > par.get(code, 0)} >= {"BR01", "SG06", "SY04", "SY07"}


def test_every_code_that_a_file_names_is_in_the_catalogue(catalogue):
    for name in ("stock.csv", "setups.csv", "usage_truth.csv"):
        assert {row["code"] for row in rows(name)} - {""} <= catalogue.keys(), name


@pytest.mark.django_db
def test_folder_loads_as_a_department_would_load_it_and_a_second_time_changes_nothing(django_user_model):
    department = begin_department(code="fiction", name="Fiction")
    user = django_user_model.objects.create_user("somebody")

    first = load(sheets_of(FIXTURES), department=department, by=user, at=timezone.now())
    again = load(sheets_of(FIXTURES), department=department, by=user, at=timezone.now())

    assert [loaded.kind.name for loaded in first] == ["catalogue", "places", "stock", "case-types", "setups"]
    assert not any(loaded.ignored for loaded in first)
    assert not any(loaded.outcome.changed for loaded in again)
    assert department.places.carts().count() == 26
    assert department.rooms.count() == 17
    assert StockingLine.objects.filter(place__department=department).count() > 2_800
    assert ledger.differences(department) == []
