"""A page asks the database as often for sixty lines as for one, and reading it writes nothing."""

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse

PAGES = ["tonight", "carts", "cart", "line", "shortages", "pick-list"]


def address_of(page, line):
    arguments = {"cart": line.place_id, "line": line.pk, "pick-list": line.plan_id}
    return reverse(page, args=[arguments[page]] if page in arguments else [])


def queries(client, address):
    with CaptureQueriesContext(
        connection,
    ) as captured:
        answer = client.get(address)
        b"".join(answer.streaming_content) if answer.streaming else answer.content
    assert answer.status_code == 200
    return [query["sql"] for query in captured.captured_queries]


@pytest.mark.parametrize("page", PAGES)
def test_sixty_lines_take_no_more_queries_than_one(signed_in, evening, page):
    line = evening(1)
    client = signed_in
    queries(client, address_of(page, line))  # the first request of a session may do more
    of_one = queries(client, address_of(page, line))
    evening(59)
    of_sixty = queries(client, address_of(page, line))

    assert len(of_sixty) == len(of_one), "\n".join(of_sixty)


@pytest.mark.parametrize("page", PAGES)
def test_reading_a_page_writes_nothing(signed_in, evening, page):
    written = [
        sql
        for sql in queries(signed_in, address_of(page, evening(3)))
        if sql.lstrip().upper().startswith(("INSERT", "UPDATE", "DELETE", "REPLACE"))
    ]

    assert not written
