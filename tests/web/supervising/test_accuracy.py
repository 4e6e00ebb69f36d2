"""How well the forecast did, what was opened for nothing, and how carts of a kind differ."""

import re
from datetime import timedelta

import pytest
from django.urls import reverse
from django.utils import timezone

from restock import jobs
from restock.learning.tallies import bring_forward
from restock.models import (
    CaptureRate,
    UsageRecord,
)
from tests.factories import (
    CartFactory,
    CaseFactory,
    CaseTypeFactory,
    ConsumableFactory,
    StockingLineFactory,
)

from ..test_pages import words


class TestAccuracy:
    def test_without_a_backtest_one_can_be_asked_for_and_says_what_it_lacks(self, supervising, plan, department):
        assert "Judge the last 14 days" in words(supervising.get(reverse("accuracy")))

        supervising.post(reverse("work-out-accuracy"))
        jobs.work_off(department)

        said = words(supervising.get(reverse("accuracy")))
        assert "None of the last days has a case list and enough logged days before it." in said

    def test_says_what_was_found_in_days_of_a_hundred(self, supervising, plan, judged):
        judged(1)

        said = words(supervising.get(reverse("accuracy")))

        assert "Where it said that 96.1 days of 100 would be covered, 94.8 were." in said
        assert "+1.0 −2.0 0.0 9 planned with more" in said
        assert re.search(r"Par as it is 0\.80 \( ?0\.70 to 0\.90 ?\)", said)
        assert "4.1 7.2" in said
        assert "75 60 to 86 40 30" in said

    def test_shows_where_use_fell_and_what_each_level_covered(self, supervising, plan, judged):
        judged(1)

        answer = supervising.get(reverse("accuracy"))

        assert "10 28 20 to 31 Use lies in the highest tenth too often" in words(answer)
        assert "95 96.1 94.8 94 to 95.7" in words(answer)
        assert 'class="demand-chart" role="img"' in answer.text

    def test_log_is_summed_by_section_and_use_logged_twice_hides_no_gap(self, supervising, plan, judged):
        judged(2)
        more = CaptureRate.objects.first()
        more.logged = 90
        more.save()

        said = words(supervising.get(reverse("accuracy")))

        # (1 + 70) / (2 + 80), the mean of a Beta with a flat prior: 70 of 80 pieces logged.
        assert re.search(r"All sections 86\.6 [\d.]+ to [\d.]+ 80 70", said)


class TestUnused:
    @pytest.fixture
    def hernias(self, department, room):
        """`hernias(line, day, cases=5)`: logged cases that each used one piece and left two unused."""

        def log(line, day, cases):
            for n in range(cases):
                case = CaseFactory(
                    room=room, date=day, order=n + 1, logged_at=timezone.now(),
                    case_type=department.case_types.first() or CaseTypeFactory(name="Hernia"),
                )  # fmt: skip
                UsageRecord.objects.create(department=department, case=case, consumable=line, used=1, opened_unused=2)
            bring_forward(department=department, at=timezone.now())

        return log

    def test_stands_by_line_and_case_type_and_never_by_person(self, supervising, plan, today, hernias):
        hernias(ConsumableFactory(name="Bougie"), today - timedelta(days=1), 5)

        answer = supervising.get(reverse("unused"))

        assert "Bougie Hernia 10" in words(answer)
        assert "clinician" not in answer.text

    def test_group_of_four_cases_is_left_out(self, supervising, plan, today, hernias):
        hernias(ConsumableFactory(name="Bougie"), today - timedelta(days=1), 4)

        said = words(supervising.get(reverse("unused")))

        assert "Bougie" not in said
        assert "1 group of too few cases is left out" in said

    def test_campaign_is_shown_before_and_after_as_chart_and_table(self, supervising, plan, today, hernias):
        line = ConsumableFactory(name="Bougie")
        hernias(line, today - timedelta(days=12), 5)
        hernias(line, today - timedelta(days=2), 6)

        answer = supervising.get(reverse("unused"), {"since": today - timedelta(days=7), "days": 28})

        assert re.search(
            r"Bougie Hernia 66\.7 \(10 of 15\) 66\.7 \(12 of 18\) 0\.0 .*chance may explain", words(answer)
        )
        assert "Bougie, Hernia: before 67 of 100, after 67" in answer.text

    def test_day_to_come_is_refused_with_what_was_typed_kept(self, supervising, plan, tomorrow):
        answer = supervising.get(reverse("unused"), {"since": tomorrow, "days": 28})

        assert answer.status_code == 400
        assert "This day is still to come" in answer.text
        assert f'value="{tomorrow}"' in answer.text


class TestTwins:
    def test_cart_that_differs_is_named_with_how(self, supervising, department):
        carts = [CartFactory(name=f"Cart {n}", room=None) for n in "ABC"]
        shared, rare = ConsumableFactory(name="Bougie"), ConsumableFactory(name="Scope")
        for cart, par in zip(carts, (4, 4, 6), strict=True):
            StockingLineFactory(place=cart, consumable=shared, par=par)
        StockingLineFactory(place=carts[0], consumable=rare, par=1)

        said = words(supervising.get(reverse("cart-twins")))

        assert re.search(r"Cart A 1 further line .*Scope 1 not standard", said)
        assert "Cart B as the standard" in said
        assert re.search(r"Cart C 1 with another par .*Bougie 6 4", said)
