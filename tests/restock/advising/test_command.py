"""manage.py advise: tables in words, and nothing written."""

import csv

import pytest
from django.core.management import CommandError, call_command

from inventory.models import Holding, Movement
from restock.models import ParAdviceRun, Plan, Shortage, StoreroomCover
from tests.factories import CaseTypeFactory, ConsumableFactory, LotFactory, SizeRunFactory, StockingLineFactory

from .conftest import TODAY, TONIGHT


@pytest.fixture
def department_with_a_past(department, cart, room, tube, storeroom, a_past, listed, receive, monkeypatch):
    monkeypatch.setattr("restock.management.commands.advise.timezone.now", lambda: TONIGHT)
    monkeypatch.setattr("restock.management.base.timezone.now", lambda: TONIGHT)
    run = SizeRunFactory()
    tube.size_run, tube.size_position = run, 2
    tube.save()
    smaller = ConsumableFactory(size_run=run, size_position=1, size="6.5 mm")
    case_type = CaseTypeFactory()
    for place in (cart, storeroom):
        for consumable in (tube, smaller):
            StockingLineFactory(place=place, consumable=consumable, par=2, capacity=30)
    receive(storeroom, smaller, 30, lot=LotFactory(consumable=smaller, expires_on=TODAY.replace(month=4)))
    a_past(room, case_type, 14, [{tube: 1}] * 4)
    listed(room, case_type, 5)
    return department


def advise(capsys, *arguments):
    call_command("advise", *arguments)
    return capsys.readouterr().out


@pytest.mark.parametrize(
    ("about", "says"),
    [
        ("pars", "Horizon: 14 operating days, 2026-02-18 to 2026-03-03"),
        ("policies", "No operating day before these: no advised par to compare."),
        ("moves", "30 pieces, "),
        ("orders", "reviewed on 2026-03-04"),
        ("sizes", "A size up to 1 step away in its run may stand in: that is a setting, and the clinician decides."),
        ("scarce", "sizes never swap by themselves, the clinician decides."),
    ],
)
def test_advice_is_printed_and_nothing_is_written(department_with_a_past, capsys, about, says):
    def facts():
        return [list(model.objects.order_by("pk").values()) for model in (Movement, Holding, Plan, Shortage)]

    before = facts()

    assert says in advise(capsys, about)

    assert facts() == before


def test_the_csv_has_a_row_for_every_line(department_with_a_past, capsys, tmp_path, tube):
    path = tmp_path / "pars.csv"

    out = advise(capsys, "pars", "--days", "10", "--csv", str(path))

    with path.open(encoding="utf-8") as file:
        rows = {row["code"]: row for row in csv.DictReader(file)}
    assert f"2 lines: {path}" in out
    assert rows[tube.code]["par"] == "2"
    assert rows[tube.code]["days_short_now"] == "10"  # four were used each day, two were there
    assert rows[tube.code]["days_short_advised"] == "0"


def test_orders_name_the_packs(department_with_a_past, capsys):
    out = advise(capsys, "orders")

    assert "1 of 2 storeroom lines" in out
    assert "ETT-7.0" in out


def test_a_department_without_a_past_is_told_so(department, cart):
    StockingLineFactory(place=cart)

    for about in ("pars", "policies"):
        with pytest.raises(CommandError, match="both a list and a logged case"):
            call_command("advise", about)


def test_a_look_back_of_no_day_is_refused(department, cart):
    with pytest.raises(CommandError, match="at least one day"):
        call_command("advise", "pars", "--days", "0")


def test_advice_is_kept_for_the_pages_when_asked(department_with_a_past, capsys, tube):
    for about in ("pars", "orders"):
        advise(capsys, about)
    assert not ParAdviceRun.objects.exists()
    assert not StoreroomCover.objects.exists()

    for about in ("pars", "orders"):
        assert "ept for the page" in advise(capsys, about, "--keep")

    run = ParAdviceRun.objects.get()
    assert (run.days, run.lines, run.by) == (14, 2, None)
    assert {advised.stocking_line.consumable for advised in run.pars.all()} >= {tube}  # four a day, par 2
    cover = StoreroomCover.objects.get(consumable=tube)
    assert (cover.low, cover.likely) == (0, 0)  # the storeroom has none
