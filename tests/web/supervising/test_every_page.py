"""What holds for every page of advice."""

import pytest
from django.urls import reverse

from ..test_query_counts import queries

PAGES = [
    "shortages",
    "shortage",
    "rooms-ahead",
    "room-ahead",
    "par-advice",
    "cart-twins",
    "what-if",
    "accuracy",
    "unused",
]


@pytest.mark.parametrize("page", PAGES)
def test_sixty_lines_take_no_more_queries_than_one(supervising, evening, advise, judged, page):
    line = evening(1)
    arguments = {"shortage": [line.pk], "room-ahead": [line.place.room_id]}.get(page, [])
    address = reverse(page, args=arguments)
    for one in line.plan.lines.all():
        advise(one)
    judged(1)
    queries(supervising, address)
    of_one = queries(supervising, address)
    evening(59)
    for one in line.plan.lines.exclude(pk=line.pk):
        advise(one)
    judged(59)
    of_sixty = queries(supervising, address)

    assert len(of_sixty) == len(of_one), "\n".join(of_sixty)
    assert not [sql for sql in of_sixty if sql.lstrip().upper().startswith(("INSERT", "UPDATE", "DELETE"))]


@pytest.mark.parametrize("page", ["par-advice", "what-if", "accuracy", "unused", "cart-twins"])
def test_only_a_supervisor_is_advised(signed_in, plan, page):
    assert signed_in.get(reverse(page)).status_code == 403
