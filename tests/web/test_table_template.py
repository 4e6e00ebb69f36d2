import re

import django_tables2
import pytest
from django.template.loader import render_to_string
from django.test import RequestFactory


class LineTable(django_tables2.Table):
    line = django_tables2.Column()
    add = django_tables2.Column(verbose_name="To add", attrs={"cell": {"class": "num"}})
    remark = django_tables2.Column(orderable=False, default="")

    class Meta:
        empty_text = "Nothing known missing."


@pytest.fixture
def rendered():
    def render(rows, query="", per_page=2, **options):
        request = RequestFactory().get(f"/lines{query}")
        table = LineTable(rows, request=request, **options)
        table.paginate(page=int(request.GET.get("page", 1)), per_page=per_page)
        return render_to_string("tables/table.html", {"table": table}, request=request)

    return render


def lines(count):
    return [{"line": f"Line {n}", "add": n} for n in range(1, count + 1)]


def test_sorted_heading_says_its_direction(rendered):
    html = rendered(lines(3), order_by="-add")

    headings = re.findall(r"<th [^>]*>", html)
    assert [re.findall(r'aria-sort="(\w+)"', heading) for heading in headings] == [[], ["descending"], []]


def test_heading_link_keeps_the_filter_and_goes_back_to_the_first_page(rendered):
    html = rendered(lines(3), query="?place=A&page=2")

    assert 'href="?place=A&amp;page=1&amp;sort=add"' in html


def test_pager_speaks_in_plain_words(rendered):
    html = rendered(lines(5), query="?page=2")

    assert "Rows 3 to 4 of 5" in html
    assert re.findall(r">(First|Previous|Next|Last)</a>", html) == ["First", "Previous", "Next", "Last"]


def test_table_of_one_page_has_no_pager(rendered):
    assert "Rows" not in rendered(lines(2))


def test_cells_carry_their_heading_for_a_narrow_screen(rendered):
    assert re.search(r'<td role="cell" data-label="To add" class="num">1</td>', rendered(lines(1)))


def test_empty_table_says_why(rendered):
    html = rendered([])

    assert "Nothing known missing." in html
    assert "<table" not in html


def test_cells_are_escaped(rendered):
    assert "<b>" not in rendered([{"line": "<b>Tube</b>", "add": 1}])
