"""The command that makes tonight's plan: what it refuses beforehand, what it writes first, what it says."""

from io import StringIO

import pytest
from django.core.management import CommandError, call_command
from openpyxl import load_workbook

from restock.management.commands.plan import percents
from restock.models import Plan, SetupStandard
from tests.factories import CaseFactory, CaseTypeFactory, SizeClassFactory, StockingLineFactory


@pytest.fixture
def listed(department, cart, room, tube, storeroom):
    """A cart that is to hold five tubes, a case that uses one, and an empty storeroom."""
    SizeClassFactory(is_default=True)
    StockingLineFactory(place=cart, consumable=tube, par=5)
    case_type = CaseTypeFactory(code="HERNIA")
    SetupStandard.objects.create(case_type=case_type, consumable=tube)
    CaseFactory(room=room, order=1, case_type=case_type)
    return department


def plan(*options, stdout=None):
    out = stdout or StringIO()
    call_command("plan", "--for", "2026-03-05", *map(str, options), stdout=out)
    return out.getvalue()


@pytest.mark.parametrize(
    ("name", "said"), [("list.csv", "does not end in .xlsx"), ("gone/list.xlsx", "cannot be written")]
)
def test_a_pick_list_that_could_not_be_written_is_refused_before_anything_is_planned(listed, tmp_path, name, said):
    with pytest.raises(CommandError, match=said):
        plan("--workbook", tmp_path / name)
    assert not Plan.objects.exists()


def test_the_pick_list_is_there_before_the_first_word_is_said(listed, tmp_path):
    path = tmp_path / "tonight.xlsx"

    class Closed(StringIO):
        def write(self, text):
            raise BrokenPipeError

    with pytest.raises(BrokenPipeError):
        plan("--workbook", path, stdout=Closed())

    assert "Cover" in load_workbook(path).sheetnames


def test_a_shortage_says_how_many_such_days_it_is_enough_for(listed):
    said = plan()

    assert "Stays short after that: 1 line. 1 line may run short on more than 1 in 100 such days." in said
    assert "short by 5, enough for" in said
    assert "Likely used, but on no cart in reach" not in said


def test_booked_demand_without_a_cart_is_said_instead_of_nothing_short(listed, cart, room, tube):
    cart.stocking_lines.all().delete()

    said = plan()

    assert f"No cart in reach of {room.code} keeps {tube}: 1 case likely uses it" in said
    assert "Nothing is known to stay short" not in said


def test_what_if_prints_only_what_would_differ(listed, tmp_path):
    path = tmp_path / "if.toml"
    path.write_text('[[add]]\nroom = "OR-1"\ncase_type = "HERNIA"\ncount = 9')

    said = plan("--what-if", path)

    assert "1 line would differ" in said
    [line] = [line for line in said.splitlines() if "need" in line]
    assert "carried" not in line  # the storeroom has none, so 0 either way
    assert not Plan.objects.exists()


def test_shares_in_percent_have_enough_digits_to_differ():
    assert percents(0.1, 0.2) == ("10.0%", "20.0%")
    assert percents(0.00012, 0.00011) == ("0.012%", "0.011%")
    assert percents(0.1, 0.1) == ("10.0%", "10.0%")
