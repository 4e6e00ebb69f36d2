from datetime import date, time, timedelta

import pytest

from inventory.importing.problems import SheetRefused
from restock.models import Case
from restock.schedule.privacy import booking_hash
from tests.factories import CaseTypeFactory, RoomFactory, TechniqueFactory

from .conftest import EVENING

NEXT_MORNING = EVENING + timedelta(hours=12)
WEDNESDAY = date(2026, 3, 4)
LIST = """date,room,start,order,booking,case_type,age_years,sex,weight_kg,extras,urgency
2026-03-04,OR-1,08:00,1,B1,CT01,71,F,80,arterial line set;pacing magnet,
2026-03-04,OR-1,10:30,2,B2,CT02,0.5,,,,urgent
2026-03-04,OR-2,08:00,1,B3,CT01,,,,,
"""
WITHOUT_BOOKINGS = """date,room,order,case_type
2026-03-04,OR-1,1,CT01
2026-03-04,OR-1,2,CT02
"""


@pytest.fixture(autouse=True)
def facts(department):
    """Rooms OR-1 and OR-2, case types CT01 (general, tube) and CT02 (spinal)."""
    for code in ("OR-1", "OR-2"):
        RoomFactory(code=code, department=department)
    CaseTypeFactory(code="CT01", name="Hernia repair", department=department)
    spinal = TechniqueFactory(code="spinal", department=department)
    CaseTypeFactory(code="CT02", department=department, technique=spinal)


def slots(*fields):
    return list(Case.objects.order_by("room__code", "order", "pk").values_list("room__code", "order", *fields))


def without(sheet, *bookings):
    return "".join(row + "\n" for row in sheet.splitlines() if not any(f",{b}," in row for b in bookings))


def test_list_becomes_slots(load):
    load("cases", LIST)

    assert slots("case_type__code", "technique__code", "size_class__code", "urgency", "status") == [
        ("OR-1", 1, "CT01", "general-tube", "adult-female", "elective", "scheduled"),
        ("OR-1", 2, "CT02", "spinal", "infant", "urgent", "scheduled"),
        ("OR-2", 1, "CT01", "general-tube", "adult", "elective", "scheduled"),
    ]
    first = Case.objects.get(room__code="OR-1", order=1)
    assert set(first.extras.values_list("code", flat=True)) == {"arterial-line-set", "pacing-magnet"}
    assert first.starts_at == time(8)


def test_same_list_again_changes_nothing(load):
    load("cases", LIST)

    assert not load("cases", LIST).changed


def test_booking_finds_its_slot_wherever_it_moved(load, department):
    load("cases", LIST)
    before = Case.objects.get(booking_hash=booking_hash(department, "B2"))

    outcome = load("cases", LIST.replace("OR-1,10:30,2,B2", "OR-2,09:15,2,B2"))

    after = Case.objects.get(pk=before.pk)
    assert (after.room.code, after.starts_at) == ("OR-2", time(9, 15))
    assert (outcome.counts["cases updated"], outcome.counts["cases added"], outcome.counts["cases cancelled"]) == (
        1,
        0,
        0,
    )


def test_slot_that_is_off_the_list_is_cancelled_and_said(load):
    load("cases", LIST)

    outcome = load("cases", without(LIST, "B2"))

    assert slots("status") == [("OR-1", 1, "scheduled"), ("OR-1", 2, "cancelled"), ("OR-2", 1, "scheduled")]
    assert outcome.notes == ["Cancelled because the list no longer names them: 1 slot."]


def test_slot_that_comes_back_is_scheduled_again(load):
    for sheet in (WITHOUT_BOOKINGS, without(WITHOUT_BOOKINGS, "2"), WITHOUT_BOOKINGS):
        load("cases", sheet)

    assert slots("status") == [("OR-1", 1, "scheduled"), ("OR-1", 2, "scheduled")]


def test_room_that_a_list_does_not_name_is_cancelled_with_a_warning(load):
    load("cases", LIST)

    outcome = load("cases", without(LIST, "B3"))

    assert slots("status")[-1] == ("OR-2", 1, "cancelled")
    assert "The list does not name OR-2" in outcome.notes[-1]


def test_part_of_a_day_leaves_the_rooms_that_it_does_not_name(load):
    load("cases", LIST)

    load("cases", without(LIST, "B2", "B3"), part_of_day=True)

    assert slots("status") == [("OR-1", 1, "scheduled"), ("OR-1", 2, "cancelled"), ("OR-2", 1, "scheduled")]


def test_other_days_are_left_alone(load):
    load("cases", LIST)

    load("cases", LIST.replace("2026-03-04", "2026-03-05").replace(",B", ",C"))

    assert Case.objects.filter(date=WEDNESDAY, status="scheduled").count() == 3


def test_slot_new_on_the_list_of_today_was_added_on_the_day(load):
    load("cases", without(LIST, "B3"))

    outcome = load("cases", LIST, at=NEXT_MORNING)

    assert slots("status", "added_on_the_day")[-1] == ("OR-2", 1, "added", True)
    assert outcome.notes == ["Not on the list for today before, so added on the day: 1 slot."]


def test_first_list_of_today_adds_nothing_on_the_day(load):
    load("cases", LIST, at=NEXT_MORNING)

    assert {row[2] for row in slots("status")} == {"scheduled"}


def test_list_of_a_day_that_is_over_is_done(load):
    load("cases", LIST, at=EVENING + timedelta(days=30))

    assert {row[2] for row in slots("status")} == {"done"}


def test_logged_case_is_never_cancelled_by_a_list(load):
    load("cases", LIST)
    Case.objects.filter(order=2).update(logged_at=NEXT_MORNING)

    load("cases", without(LIST, "B2"), at=NEXT_MORNING)

    assert slots("status")[1] == ("OR-1", 2, "scheduled")


def test_slots_without_an_order_are_numbered_by_their_start(load):
    load("cases", "date,room,start,case_type\n2026-03-04,OR-1,11:00,CT02\n2026-03-04,OR-1,08:00,CT01\n")

    assert slots("case_type__code") == [("OR-1", 1, "CT01"), ("OR-1", 2, "CT02")]


def test_case_type_may_be_named_by_its_name(load):
    load("cases", "date,room,case_type\n2026-03-04,OR-1,hernia  Repair\n")

    assert slots("case_type__code") == [("OR-1", 1, "CT01")]


def test_extras_stay_where_a_later_list_does_not_speak_of_them(load):
    load("cases", LIST)

    load("cases", "date,room,order,booking,case_type\n2026-03-04,OR-1,1,b 1,CT01\n")

    assert Case.objects.get(room__code="OR-1", order=1).extras.count() == 2


def test_booking_hash_depends_on_the_key_and_not_on_spaces_or_capitals(department, settings):
    before = booking_hash(department, "ab 12")

    assert booking_hash(department, "AB12") == before
    settings.SECRET_KEY = "another key"
    assert booking_hash(department, "AB12") != before


@pytest.mark.parametrize(
    ("row", "message"),
    [
        ("2026-03-04,OR1,1,,CT01,,,", "column “room”: found a value that is not shown"),
        ("2026-03-04,OR-1,1,,CT1,,,", "expected a known case type; the nearest are “CT01”"),
        ("2026-03-04,OR-1,1,,CT01,,,pacing magnt", "expected known extras, with semicolons between; the nearest are"),
        ("2026-02-29,OR-1,1,,CT01,,,", "column “date”"),
        ("46085,OR-1,1,,CT01,,,", "a bare number may be a spreadsheet's day count"),
        ("2026-03-04,OR-1,1,,CT01,-4,,", "column “age_years”"),
        ("2026-03-04,OR-1,1,,CT01,,woman,", "expected female or male, or F or M, or unknown"),
        ("2026-03-04,OR-1,1,,CT01,,,\n2026-03-04,OR-1,1,,CT02,,,", "row 3, column “order”"),
        ("2026-03-04,OR-1,1,B9,CT01,,,\n2026-03-04,OR-1,2,b9,CT02,,,", "row 3, column “booking”"),
    ],
)
def test_fault_in_a_list_is_named_and_nothing_is_written(load, row, message):
    with pytest.raises(SheetRefused) as refused:
        load("cases", f"date,room,order,booking,case_type,age_years,sex,extras\n{row}\n")

    assert message in str(refused.value)
    assert not Case.objects.exists()
