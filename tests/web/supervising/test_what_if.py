"""What if: cases added, a room closed, a delivery late."""

import re
from datetime import timedelta

import pytest
from django.urls import reverse
from django.utils import timezone

from inventory import ledger
from inventory.models import StockingLine
from restock.models import SetupStandard
from restock.plans.planning import make_plan
from restock.supervising.cover import work_out_cover
from tests.factories import (
    CaseFactory,
    CaseTypeFactory,
    SetupStandardFactory,
    SizeClassFactory,
    StockingLineFactory,
)

from ..test_pages import words


class TestWhatIf:
    @pytest.fixture
    def hernia(self, department, plan, cart, room, tube, storeroom, technician):
        SizeClassFactory(is_default=True)
        StockingLineFactory(place=cart, consumable=tube, par=1)
        ledger.receive(place=storeroom, consumable=tube, quantity=20, by=technician, at=timezone.now(), key="delivery")
        case_type = CaseTypeFactory(name="Hernia")
        SetupStandardFactory(case_type=case_type, consumable=tube)
        return case_type

    def test_added_cases_raise_the_need_and_nothing_is_written(self, supervising, hernia, room, department):
        before = department.cases.count()

        said = words(
            supervising.post(
                reverse("what-if"),
                {
                    "add_room": room.pk,
                    "add_case_type": hernia.pk,
                    "add_size_class": department.size_classes.get().pk,
                    "add_count": 4,
                },
            )
        )

        assert "1 line would be planned otherwise. Cases on the list: 0 → 4." in said
        assert department.cases.count() == before

    @pytest.mark.parametrize("change", ["close_room", "cancel_room"])
    def test_room_without_its_list_needs_less(self, supervising, hernia, room, tomorrow, change):
        for number in (1, 2, 3):
            CaseFactory(room=room, date=tomorrow, order=number, case_type=hernia)

        assert "Cases on the list: 3 → 0." in words(supervising.post(reverse("what-if"), {change: room.pk}))

    def test_counts_what_stays_short_as_the_plan_does(
        self, supervising, hernia, room, tube, cart, department, tomorrow
    ):
        """Also a line whose bin is too small: the storeroom gives all that fits."""
        CaseFactory(room=room, date=tomorrow, order=1, case_type=hernia)
        StockingLine.objects.filter(place=cart, consumable=tube).update(par=1, capacity=1)
        SetupStandard.objects.filter(consumable=tube).update(quantity=9)
        stored = make_plan(department=department, for_date=tomorrow, at=timezone.now())

        said = words(supervising.post(reverse("what-if"), {"late_days": 3}))

        assert stored.lines.filter(shortage__isnull=False).count() == 1
        assert "Lines that stay short: 1 → 1." in said

    def test_back_ordered_line_stays_short(self, supervising, hernia, room, tube, tomorrow):
        CaseFactory(room=room, date=tomorrow, order=1, case_type=hernia)

        assert "Lines that stay short: 0 → 1." in words(supervising.post(reverse("what-if"), {"back_order": tube.pk}))

    def test_late_delivery_names_the_storerooms_that_would_not_last(
        self, supervising, hernia, department, room, tube, storeroom, today
    ):
        """Three cases on each of the next days use one tube each; twenty tubes last no longer than a week."""
        StockingLineFactory(place=storeroom, consumable=tube, par=20)
        for ahead in range(1, 15):
            for number in (1, 2, 3):
                CaseFactory(room=room, date=today + timedelta(days=ahead), order=number, case_type=hernia)

        said = words(supervising.post(reverse("what-if"), {"late_days": 10}))
        assert "How long the storerooms last was not worked out yet." in said
        assert "Main storeroom" not in said
        work_out_cover(department, today=today, at=timezone.now())

        said = words(supervising.post(reverse("what-if"), {"late_days": 10}))

        assert re.search(r"may run out before the late delivery .* Main storeroom \d+ to \d+ days 4", said)
        assert "How long the storerooms last was worked out 1 min ago." in said

    @pytest.mark.parametrize("half", ["add_room", "nothing"])
    def test_supposing_too_little_is_refused(self, supervising, hernia, room, half):
        answer = supervising.post(reverse("what-if"), {half: room.pk})

        assert answer.status_code == 400
        assert re.search("needs a room and a case type|at least one change", words(answer))
