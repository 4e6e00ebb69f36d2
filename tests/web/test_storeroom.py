"""A storeroom's own page: shelf by shelf, lot by lot."""

from datetime import date

import pytest
from django.urls import reverse
from django.utils import timezone

from inventory import ledger
from restock.models import StoreroomCover
from tests.factories import BinFactory, ConsumableFactory, LotFactory, StockingLineFactory

from .test_pages import words
from .test_query_counts import queries


@pytest.fixture
def shelf(storeroom, technician):
    """`shelf(3)`: three lines on a shelf with a lot each, one of them out of date."""

    def fill(lines):
        for n in range(lines):
            line = ConsumableFactory(name=f"Bougie n{n}")
            StockingLineFactory(place=storeroom, consumable=line, par=8, bin=BinFactory(place=storeroom))
            for number, last in (("OLD", date(2020, 1, 31)), ("NEW", date(2031, 1, 31))):
                ledger.receive(
                    place=storeroom, consumable=line, quantity=3, by=technician, at=timezone.now(),
                    lot=LotFactory(consumable=line, number=f"{number}{n}", expires_on=last), key=f"{number}{line.pk}",
                )  # fmt: skip

    return fill


def test_search_hit_leads_to_its_shelves_with_lots_and_what_may_not_be_used(signed_in, storeroom, shelf):
    shelf(1)
    address = reverse("storeroom", args=[storeroom.pk])
    assert address in signed_in.post(reverse("search"), {"q": storeroom.code}, follow=True).text

    said = words(signed_in.get(address))

    assert "3 × OLD0, use by 31 Jan 2020 not to be used ; 3 × NEW0, use by 31 Jan 2031" in said
    assert "3 pieces are out of date or set aside" in said


def test_says_how_long_a_line_lasts_where_that_was_worked_out(signed_in, storeroom, shelf):
    shelf(1)
    line = storeroom.stocking_lines.get().consumable
    StoreroomCover.objects.create(
        place=storeroom, consumable=line, usable=3, low=2, likely=4, high=9, open_ended=False, made_at=timezone.now()
    )

    assert "2 to 9 days" in words(signed_in.get(reverse("storeroom", args=[storeroom.pk])))


def test_words_narrow_it(signed_in, storeroom, shelf):
    shelf(2)

    said = words(signed_in.get(reverse("storeroom", args=[storeroom.pk]), {"words": "bougie n1"}))

    assert "NEW1" in said
    assert "NEW0" not in said


def test_sixty_lines_take_no_more_queries_than_one(signed_in, storeroom, shelf):
    address = reverse("storeroom", args=[storeroom.pk])
    shelf(1)
    queries(signed_in, address)
    of_one = queries(signed_in, address)
    shelf(59)

    assert len(queries(signed_in, address)) == len(of_one)
