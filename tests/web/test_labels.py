"""Labels from the page to the paper and back into the scan box."""

from datetime import date

import pypdfium2
import pytest
import zxingcpp
from django.urls import reverse

from tests.factories import BinFactory, ConsumableFactory, LotFactory, StockingLineFactory

from .test_pages import words
from .test_query_counts import queries


@pytest.fixture
def kept(cart, tube):
    """The tube in drawer D2 of the cart."""
    return StockingLineFactory(place=cart, consumable=tube, bin=BinFactory(place=cart, code="D2"))


def printed_codes(answer) -> list[str]:
    picture = pypdfium2.PdfDocument(answer.content)[0].render(scale=300 / 72).to_pil()
    return [code.symbology_identifier + code.bytes.decode() for code in zxingcpp.read_barcodes(picture)]


@pytest.mark.parametrize("code", ["qr", "datamatrix"])
def test_printed_label_of_a_bin_leads_back_to_its_line_at_its_place(signed_in, kept, tube, cart, code):
    answer = signed_in.get(reverse("labels-pdf"), {"place": cart.pk, "code": code})
    (scanned,) = printed_codes(answer)

    said = words(signed_in.post(reverse("scan"), {"scan": scanned}))

    assert tube.label in said
    assert "Label of Cart 1, D2" in said


def test_printed_label_of_a_lot_gives_lot_and_expiry(signed_in, tube):
    lot = LotFactory(consumable=tube, number="B-1", expires_on=date(2099, 9, 30))
    codes = printed_codes(signed_in.get(reverse("labels-pdf"), {"lot": lot.pk, "copies": 3}))

    assert len(codes) == 3
    said = words(signed_in.post(reverse("scan"), {"scan": codes[0]}))
    assert "Lot B-1" in said
    assert "30 September 2099" in said


def test_page_shows_the_first_sheet_and_leads_to_paper(signed_in, kept, cart):
    answer = signed_in.get(reverse("labels"), {"place": cart.pk})

    assert "<svg" in answer.text
    assert "1 sheet" in words(answer)
    assert reverse("labels-print") + f"?place={cart.pk}&amp;" in answer.text
    assert "<svg" in signed_in.get(reverse("labels-print"), {"place": cart.pk}).text


def test_page_says_what_is_wrong_and_prints_nothing(signed_in, kept, cart):
    asked = {"place": cart.pk, "gone": 99}

    assert "no more labels than that" in words(signed_in.get(reverse("labels"), asked))
    assert signed_in.get(reverse("labels-pdf"), asked).url == reverse("labels")


def test_codes_too_long_for_a_label_are_said_and_not_cut(signed_in, cart):
    line = ConsumableFactory(code="µ" * 40)
    StockingLineFactory(place=cart, consumable=line)

    assert "too long for a label" in words(signed_in.get(reverse("labels"), {"place": cart.pk}))


def test_sixty_labels_take_as_many_queries_as_one(signed_in, kept, cart):
    address = reverse("labels-pdf") + f"?place={cart.pk}"
    queries(signed_in, address)
    of_one = len(queries(signed_in, address))
    for _ in range(59):
        StockingLineFactory(place=cart, bin=BinFactory(place=cart))

    assert len(queries(signed_in, address)) == of_one
