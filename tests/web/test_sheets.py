"""Spreadsheets in from the browser: the rules of the command line, and nothing of a file kept."""

import logging
import os
import time
from datetime import date
from pathlib import Path

import pytest
from django.contrib.sessions.models import Session
from django.core.files.uploadedfile import SimpleUploadedFile
from django.db import connection
from django.urls import reverse

from inventory.models import Consumable, Count
from restock.models import Case, HeadingMap, Import
from restock.web import uploads
from tests.factories import ConsumableFactory, StockingLineFactory

from .test_pages import words

CATALOGUE = "code;name;section\nETT-8.0;Tracheal tube;airway\nGAUZE;Gauze swab;special\n"
OWN_HEADINGS = "Article no.;What it is;Part\nETT-8.0;Tracheal tube;airway\n"
NAME = "Zyxwolski"  # stands for a person's data wherever it may slip out


@pytest.fixture(autouse=True)
def folder(settings, tmp_path):
    settings.UPLOAD_FOLDER = str(tmp_path / "waiting")
    return Path(settings.UPLOAD_FOLDER)


@pytest.fixture
def desk(client, department, supervisor):
    client.force_login(supervisor)
    return client


def choose(desk, content, kind="catalogue", name="list.csv", **more):
    file = SimpleUploadedFile(name, content.encode())
    return desk.post(reverse("sheets"), {"kind": kind, "file": file, **more}, follow=True)


def guessed(answer):
    """What the form of headings says when it is sent as it came."""
    form = answer.context["form"]
    return {name: form[name].value() or "" for name in form.fields}


def waiting(folder):
    return [file for file in folder.rglob("*") if file.is_file()]


def test_sheet_is_checked_then_applied_and_its_file_deleted(desk, folder, supervisor):
    headings = choose(desk, CATALOGUE)
    checked = desk.post(reverse("sheet-headings"), guessed(headings))

    assert "lines added" in words(checked)
    assert not Consumable.objects.exists()
    assert len(waiting(folder)) == 1

    applied = desk.post(reverse("sheet-apply"))

    assert "It is in" in words(applied)
    assert set(Consumable.objects.values_list("code", flat=True)) == {"ETT-8.0", "GAUZE"}
    assert Import.objects.get().by == supervisor
    assert not waiting(folder)


def test_own_headings_are_told_once_and_kept_as_hashes(desk, department):
    choose(desk, OWN_HEADINGS)
    told = {"code": "0", "name": "1", "section": "2"}
    desk.post(reverse("sheet-headings"), told)
    desk.post(reverse("sheet-apply"))
    again = choose(desk, OWN_HEADINGS.replace("8.0", "8.5"))

    assert {name: value for name, value in guessed(again).items() if value} == told
    assert "Article" not in str(HeadingMap.objects.get().columns)


def test_every_fault_stands_with_its_row_and_column_and_nothing_is_written(desk):
    headings = choose(desk, "code;name;section;critical\nA;Tube;nowhere;yes\n;Mask;airway;perhaps\n")
    answer = desk.post(reverse("sheet-headings"), guessed(headings))

    said = words(answer)
    assert answer.status_code == 400
    assert "3 things to mend" in said
    assert "row 2, column section" in said
    assert "row 3, column code" in said
    assert "row 3, column critical" in said
    assert not Consumable.objects.exists()


def test_two_columns_cannot_share_a_heading(desk):
    choose(desk, OWN_HEADINGS)
    answer = desk.post(reverse("sheet-headings"), {"code": "0", "name": "0", "section": "2"})

    assert "already stands for code" in words(answer)


def test_heading_that_is_left_out_is_not_read(desk):
    headings = choose(desk, CATALOGUE.replace("name", "name;unit", 1).replace(";Tr", ";bag;Tr").replace(";G", ";bag;G"))
    desk.post(reverse("sheet-headings"), guessed(headings) | {"unit": ""})
    desk.post(reverse("sheet-apply"))

    assert set(Consumable.objects.values_list("unit", flat=True)) == {"each"}


CASES = f"date,room,order,case_type,age_years,booking\n2026-13-45,OR-1,1,C1,{NAME},{NAME}-77\n"


@pytest.mark.usefixtures("room")
def test_private_cells_are_never_echoed_stored_or_logged(desk, folder, caplog):
    caplog.set_level(logging.DEBUG)
    headings = choose(desk, CASES, kind="cases", name=f"{NAME}.csv")
    checked = desk.post(reverse("sheet-headings"), guessed(headings))

    assert checked.status_code == 400
    for answer in (headings, checked):
        assert NAME not in answer.text
    assert NAME not in caplog.text
    assert NAME not in str([session.get_decoded() for session in Session.objects.all()])
    assert not Case.objects.exists()
    with connection.cursor() as cursor:
        for table in connection.introspection.table_names(cursor):
            cursor.execute(f"SELECT * FROM {table}")
            assert NAME not in str(cursor.fetchall()), table


def test_first_row_that_may_be_data_is_not_shown_until_a_person_vouches_for_it(desk):
    hidden = choose(desk, f"{NAME},OR-1,1\n", kind="cases")
    assert NAME not in hidden.text
    assert "may be data" in words(hidden)

    assert NAME in desk.get(reverse("sheet-headings"), {"show": "1"}).text


def test_file_that_is_too_large_or_no_spreadsheet_is_refused_at_the_field(desk, settings, folder):
    settings.UPLOAD_MOST_BYTES = 10
    assert "split it" in words(choose(desk, CATALOGUE))
    settings.UPLOAD_MOST_BYTES = 10_000
    assert "the spreadsheet program writes one" in words(choose(desk, CATALOGUE, name="list.pdf"))
    assert not folder.exists() or not waiting(folder)


def test_waiting_file_is_private_and_gone_after_an_hour(desk, folder):
    choose(desk, CATALOGUE, name=f"{NAME}.csv")
    file = waiting(folder)[0]
    assert file.stat().st_mode & 0o077 == 0
    assert file.parent.stat().st_mode & 0o077 == 0
    assert NAME not in file.name

    long_ago = time.time() - uploads.MOST_SECONDS - 1
    os.utime(file.parent, (long_ago, long_ago))
    answer = desk.get(reverse("sheet-headings"), follow=True)

    assert "its hour is over" in words(answer)
    assert not waiting(folder)


def test_folder_that_others_can_read_is_not_used(desk, folder):
    folder.mkdir(mode=0o755)

    with pytest.raises(PermissionError):
        choose(desk, CATALOGUE)


def test_file_can_be_deleted_without_applying_it(desk, folder):
    choose(desk, CATALOGUE)
    desk.post(reverse("sheet-forget"))

    assert not waiting(folder)
    assert desk.post(reverse("sheet-apply")).url == reverse("sheets")
    assert not Consumable.objects.exists()


STOCK = "place;code;par;on_hand;lot;expires_on\nCART-1;ETT-8.0;4;3;L1;{date}\n"


@pytest.fixture
def kept_line(cart):
    """The line ETT-8.0 on the cart's par sheet with par 2."""
    return StockingLineFactory(place=cart, consumable=ConsumableFactory(code="ETT-8.0"), par=2)


def test_date_that_can_be_read_two_ways_is_refused_by_naming_the_page_s_choice(desk, kept_line):
    headings = choose(desk, STOCK.format(date="03/04/2028"), kind="stock")

    said = words(desk.post(reverse("sheet-headings"), guessed(headings)))

    assert "say under “Dates written as text” which comes first" in said
    assert "--columns" not in said


@pytest.mark.parametrize(("order", "day"), [("dmy", date(2028, 4, 3)), ("mdy", date(2028, 3, 4))])
def test_date_order_chosen_on_the_page_is_kept_until_it_is_applied(desk, kept_line, order, day):
    headings = choose(desk, STOCK.format(date="03/04/2028"), kind="stock", date_order=order)
    desk.post(reverse("sheet-headings"), guessed(headings))
    desk.post(reverse("sheet-apply"))

    assert kept_line.consumable.lots.get().expires_on == day


def test_only_pars_takes_the_pars_and_leaves_what_is_on_hand_alone(desk, kept_line):
    headings = choose(desk, STOCK.format(date="2028-04-03"), kind="stock", only_pars="on")
    desk.post(reverse("sheet-headings"), guessed(headings))
    desk.post(reverse("sheet-apply"))

    kept_line.refresh_from_db()
    assert kept_line.par == 4
    assert not Count.objects.exists()
