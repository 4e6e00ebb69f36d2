"""The turnover card: what differs between the last case and the next, in set-up order."""

from datetime import UTC, datetime, time, timedelta

import pytest
from django.urls import reverse
from django.utils import timezone

from inventory import ledger
from inventory.models import Section
from restock.cases.turnovers import Step, first_of_next_day, next_of, turnover
from restock.models import Case
from tests.factories import (
    CaseFactory,
    CaseTypeFactory,
    ConsumableFactory,
    ExtraFactory,
    SetupStandardFactory,
    SizeClassFactory,
    SizeRunFactory,
    StockingLineFactory,
)

from .test_pages import order, words
from .test_query_counts import queries

NOW = datetime(2026, 3, 5, 10, tzinfo=UTC)


@pytest.fixture
def adult():
    return SizeClassFactory(code="adult")


@pytest.fixture
def child():
    return SizeClassFactory(code="child")


@pytest.fixture
def tubes(cart, adult, child):
    """Tubes in three sizes: children have the small one, adults the large one. The cart keeps and holds two of each."""
    run = SizeRunFactory()
    sizes = [
        ConsumableFactory(name="Tube", size=f"{mm} mm", size_run=run, size_position=n, code=f"T{n}")
        for n, mm in enumerate(("5.0", "6.0", "7.0"))
    ]
    for consumable, size_class in ((sizes[0], child), (sizes[2], adult)):
        SetupStandardFactory(case_type=None, size_class=size_class, consumable=consumable)
    return sizes


@pytest.fixture
def hold(cart, technician):
    """`hold(consumable, 2)`: the cart keeps the line and holds so many."""

    def fill(consumable, pieces):
        StockingLineFactory(place=cart, consumable=consumable, par=5)
        ledger.count(
            place=cart, consumable=consumable, counted=pieces, by=technician, at=NOW, key=f"held {consumable.pk}"
        )

    return fill


@pytest.fixture
def surgery(tubes):
    """A case type that opens a tube, a circuit and two dressings."""
    case_type = CaseTypeFactory(name="Laparoscopy")
    SetupStandardFactory(case_type=case_type, consumable=None, size_run=tubes[0].size_run)
    for name, section, quantity in (("Circuit", Section.MACHINE, 1), ("Dressing", Section.IV, 2)):
        SetupStandardFactory(
            case_type=case_type, consumable=ConsumableFactory(name=name, section=section), quantity=quantity
        )
    return case_type


def card(case, last=None):
    return turnover(case, last=last, at=NOW)


def steps(card):
    return {line.consumable.label: line.step for line in card.lines(*Step)}


def test_same_kind_of_case_again_asks_for_fresh_ones_only(room, surgery, adult):
    last, case = (CaseFactory(room=room, order=n, case_type=surgery, size_class=adult) for n in (1, 2))

    assert set(steps(card(case, last)).values()) == {Step.FRESH}


def test_another_size_class_changes_the_size_and_names_those_beside_it(room, surgery, adult, child, tubes, hold):
    for size in tubes:
        hold(size, 2)
    last = CaseFactory(room=room, order=1, case_type=surgery, size_class=adult)
    case = CaseFactory(room=room, order=2, case_type=surgery, size_class=child)

    (tube,) = card(case, last).lines(Step.CHANGE)

    assert (tube.consumable.size, tube.instead_of.size) == ("5.0 mm", "7.0 mm")
    assert [(beside.consumable.size, beside.in_reach) for beside in tube.beside] == [("6.0 mm", 2)]


def test_booked_extra_is_added_and_put_away_after(room, surgery, adult):
    extra = ExtraFactory()
    SetupStandardFactory(case_type=None, extra=extra, consumable=ConsumableFactory(name="Transducer set"))
    plain = CaseFactory(room=room, order=1, case_type=surgery, size_class=adult)
    with_extra = CaseFactory(room=room, order=2, case_type=surgery, size_class=adult, extras=[extra])

    assert steps(card(with_extra, plain))["Transducer set"] == Step.ADD
    assert steps(card(plain, with_extra))["Transducer set"] == Step.PUT_AWAY


def test_what_is_seldom_opened_is_not_laid_out(room, surgery, adult):
    SetupStandardFactory(case_type=surgery, consumable=ConsumableFactory(name="Bougie"), probability=0.2)
    turned = card(CaseFactory(room=room, case_type=surgery, size_class=adult))

    assert "Bougie" not in steps(turned)
    assert [c.name for section in turned.sections for c in section.seldom] == ["Bougie"]


def test_what_no_cart_in_reach_holds_is_to_fetch_from_the_nearest_place(
    room, surgery, adult, hold, storeroom, technician
):
    dressing = surgery.setup_standards.get(consumable__name="Dressing").consumable
    hold(dressing, 1)
    ledger.receive(place=storeroom, consumable=dressing, quantity=9, by=technician, at=NOW, key="in")
    last, case = (CaseFactory(room=room, order=n, case_type=surgery, size_class=adult) for n in (1, 2))

    line = next(line for line in card(case, last).lacking if line.consumable == dressing)

    assert (line.step, line.in_reach, line.lacks) == (Step.FRESH, 1, 1)
    assert [(held.place.name, held.pieces) for held in line.nearest] == [("Main storeroom", 9)]
    assert line in next(s for s in card(case, last).sections if s.name == "IV").to_do


class TestNextCase:
    def slots(self, room, *starts, logged=()):
        return [
            CaseFactory(
                room=room, order=n, starts_at=start, logged_at=NOW if n in logged else None,
                status=Case.Status.DONE if n in logged else Case.Status.SCHEDULED,
            )
            for n, start in enumerate(starts, 1)
        ]  # fmt: skip

    def test_follows_the_last_logged_one_whatever_the_clock_says(self, room):
        slots = self.slots(room, time(8), time(9), time(11), logged={1})

        assert next_of(slots, NOW) == slots[1]

    def test_follows_the_one_that_by_its_booked_start_is_in_the_room(self, room):
        slots = self.slots(room, time(8), time(9), time(11))

        assert next_of(slots, NOW) == slots[2]

    def test_is_the_first_before_the_day_begins(self, room):
        slots = self.slots(room, time(11), time(12))

        assert next_of(slots, NOW) == slots[0]

    def test_is_none_when_the_list_is_over(self, room):
        assert next_of(self.slots(room, time(8), logged={1}), NOW) is None

    def test_after_the_list_the_room_waits_for_the_next_listed_day(self, room, department):
        friday, monday = NOW.date(), NOW.date() + timedelta(days=4)
        first = CaseFactory(room=room, date=monday, order=2)
        CaseFactory(room=room, date=monday, order=1, status=Case.Status.CANCELLED)
        CaseFactory(room=room, date=monday + timedelta(days=1), order=1)

        assert first_of_next_day(department, after=friday) == {room.pk: first}


class TestPages:
    @pytest.fixture
    def two_cases(self, room, surgery, adult, child, today):
        last = CaseFactory(room=room, date=today, order=1, case_type=surgery, size_class=adult)
        case = CaseFactory(room=room, date=today, order=2, case_type=surgery, size_class=child)
        Case.objects.filter(pk=last.pk).update(status=Case.Status.DONE, logged_at=timezone.now())
        return last, case

    def test_card_says_what_differs_in_set_up_order(self, signed_in, room, two_cases):
        SetupStandardFactory(
            case_type=two_cases[1].case_type, consumable=ConsumableFactory(name="Suction tip", section=Section.SUCTION),
            size_class=two_cases[1].size_class,
        )  # fmt: skip

        answer = signed_in.get(reverse("turnover", args=[room.pk]))

        assert "Laparoscopy, child after Laparoscopy, adult" in words(answer)
        assert "Change 1, add 1, put away 0. 2 fresh as before." in words(answer)
        assert words(answer).count("Fresh as before") == 1
        assert "Change Tube, 5.0 mm instead of 7.0 mm" in words(answer)
        assert order(answer, "Suction tip", "Tube, 5.0 mm") == ["Suction tip", "Tube, 5.0 mm"]
        assert "the clinician decides" in words(answer)
        assert "ready" not in words(answer)

    def test_another_case_of_the_list_may_be_chosen(self, signed_in, room, two_cases):
        answer = signed_in.get(reverse("turnover", args=[room.pk]) + f"?case={two_cases[0].pk}")

        assert "Laparoscopy, adult nothing lies out before it" in words(answer)
        assert "Lay out 3 lines." in words(answer)

    def test_rooms_show_what_comes_next(self, signed_in, room, two_cases):
        answer = signed_in.get(reverse("turnovers"))

        assert reverse("turnover", args=[room.pk]) in answer.text
        assert "Laparoscopy child" in words(answer)

    def test_department_without_a_list_is_told_so(self, signed_in, room):
        assert "No case is listed for today or later." in words(signed_in.get(reverse("turnovers")))
        assert "No case is listed in this room" in words(signed_in.get(reverse("turnover", args=[room.pk])))

    def test_sixty_lines_take_no_more_queries_than_one(self, signed_in, room, two_cases, storeroom):
        case_type = two_cases[1].case_type
        where = reverse("turnover", args=[room.pk])
        queries(signed_in, where)
        of_few = queries(signed_in, where)
        for _ in range(60):
            SetupStandardFactory(case_type=case_type)

        of_sixty = queries(signed_in, where)

        assert len(of_sixty) == len(of_few), "\n".join(of_sixty)


def test_card_reminds_of_tube_sizes_by_age_and_leaves_the_choice_to_the_clinician(room, surgery, signed_in):
    four_years = SizeClassFactory(code="four", age_days_from=4 * 366, age_days_below=4 * 366 + 1)
    CaseFactory(room=room, order=1, case_type=surgery, size_class=four_years, date=timezone.localdate())

    shown = signed_in.get(reverse("turnover", args=[room.pk])).text

    assert "Cuffed: age in years / 4 + 3.5 mm" in shown
    assert "<strong>4.5</strong>" in shown
    assert "8 Fr for 4.5 mm" in shown
    assert "the clinician decides" in shown
