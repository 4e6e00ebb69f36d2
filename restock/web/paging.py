"""One way to page a table or a list, whatever the address asks for."""

from __future__ import annotations

from collections.abc import Sequence

from django.core.paginator import Page, Paginator
from django.db.models import QuerySet
from django.http import HttpRequest
from django_tables2 import RequestConfig, Table

LINES_PER_PAGE = 50


def page_table(request: HttpRequest, table: Table) -> None:
    """Order the table and page it as the address says.

    How many lines stand on a page is not for the address to say. What is no page of it is taken for the first one, or
    for the last.
    """
    RequestConfig(request, paginate=False).configure(table)
    table.paginate(per_page=LINES_PER_PAGE)
    table.page = table.paginator.get_page(request.GET.get(table.prefixed_page_field))


def page_of(request: HttpRequest, rows: Sequence | QuerySet) -> Page:
    """The page of a list that the address says."""
    return Paginator(rows, LINES_PER_PAGE).get_page(request.GET.get("page"))
