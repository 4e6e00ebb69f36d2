"""A blind count on a phone, with a scanner that types, and a colleague in a second browser."""

import re

import pytest
from django.urls import reverse
from django.utils import timezone

from inventory import ledger
from inventory.models import Count
from tests.factories import BinFactory, PackagingFactory

from .conftest import DESKTOP, PHONE

pytestmark = pytest.mark.django_db(transaction=True)

GTIN = "00012345600012"


@pytest.fixture
def lines(add_line, cart, technician):
    """Three lines of the cart: 20 airways, 20 bougies in packs of five, 3 circuits on record."""
    made = []
    for number, (name, pieces) in enumerate((("Airway", 20), ("Bougie", 20), ("Circuit", 3)), 1):
        line = add_line(name=name, bin=BinFactory(place=cart, code=f"D{number}", walk_order=number))
        ledger.receive(
            place=cart, consumable=line.consumable, quantity=pieces, by=technician, at=timezone.now(), key=name
        )
        made.append(line)
    PackagingFactory(consumable=made[1].consumable, pieces_per_pack=5, barcode=GTIN)
    return made


def progress(page, words):
    page.locator(".stops-progress", has_text=words).wait_for()


def test_a_cart_is_counted_blind_twice_where_it_differs_and_by_scan(
    page, live_server, sign_in, lines, cart, axe, screenshot
):
    page.set_viewport_size(PHONE)
    sign_in("technician")
    page.goto(live_server.url + reverse("counts"))
    axe()
    screenshot("counts")
    page.get_by_role("button", name=re.compile("^Count ?: Cart 1$")).click()
    page.get_by_label("Pieces in the drawer").fill("12")
    page.keyboard.press("Enter")
    page.get_by_text("count once more").wait_for()
    axe()
    screenshot("again")
    page.get_by_label("Pieces, second count").fill("12")
    page.keyboard.press("Enter")
    progress(page, "1 of 3 lines counted")

    # The hand scanner types into the field that has the focus, here that of a number.
    for pieces in ("5", "10"):
        page.keyboard.type(GTIN)
        page.keyboard.press("Enter")
        page.locator(f".stop-now input[name=counted][value='{pieces}']").wait_for()
    screenshot("scanned")
    page.get_by_label("Pieces in the drawer").fill("20")
    page.get_by_role("button", name="Save").click()
    progress(page, "2 of 3 lines counted")

    page.reload()  # the battery died: what was saved is there
    progress(page, "2 of 3 lines counted")
    page.get_by_role("button", name="Finish this count").click()
    page.set_viewport_size(DESKTOP)
    page.get_by_label("Why Airway differed").select_option("not_logged")
    axe()
    screenshot("found")
    page.get_by_role("button", name=re.compile("^Keep ?: Airway$")).click()
    page.get_by_role("link", name="What counts found over the last weeks").click()
    page.get_by_text("1 of 2 counts of the last 8 weeks agreed").wait_for()
    axe()
    screenshot("report")

    assert sorted(Count.objects.filter(task__isnull=False).values_list("counted", flat=True)) == [12, 20]
