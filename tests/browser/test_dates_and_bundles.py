"""A technician's round of dates, and the making up of bundles."""

import re
from datetime import timedelta

import pytest
from django.urls import reverse
from django.utils import timezone
from playwright.sync_api import expect

from inventory import ledger
from inventory.models import BundlePiece, DateCheck
from tests.factories import BinFactory, CartFactory, ConsumableFactory, LotFactory, StockingLineFactory

from .conftest import DESKTOP, PHONE

pytestmark = pytest.mark.django_db(transaction=True)


@pytest.fixture
def dated(cart, today, technician):
    """A cart with a tube that has ended, masks that end soon and are kept next door, and strips by earliest date."""
    other = CartFactory(name="Cart 2", room=None)
    lines = {}
    for name, days, pieces in (("Tube", -3, 1), ("Mask", 9, 4), ("Strip", 6, 20)):
        tracking = "earliest_date" if name == "Strip" else "lot"
        line = StockingLineFactory(
            place=cart, consumable=ConsumableFactory(name=name), bin=BinFactory(place=cart), tracking=tracking
        ).consumable
        StockingLineFactory(place=other, consumable=line)
        lot = LotFactory(consumable=line, expires_on=today + timedelta(days=days))
        ledger.receive(
            place=cart, consumable=line, quantity=pieces, lot=lot, by=technician, at=timezone.now(), key=f"got {name}"
        )
        lines[name] = line
    return lines


@pytest.mark.parametrize("size", [PHONE, DESKTOP], ids=["phone", "desk"])
def test_round_of_dates_from_what_ends_soon_to_a_pack_that_was_read(
    page, live_server, sign_in, dated, cart, today, size, axe, screenshot
):
    sign_in("technician")
    page.set_viewport_size(size)
    page.goto(live_server.url + reverse("stock"))
    page.get_by_role("link", name="Expiry").first.click()
    page.get_by_role("link", name="Work out the likely waste").click()
    expect(page.get_by_text("Most likely waste first")).to_be_visible()
    axe()
    screenshot("expiry")

    page.get_by_role("link", name="Pull list").first.click()
    page.get_by_role("button", name=re.compile("Thrown away 1.*Tube")).click()
    expect(page.get_by_text("Cart 1 · 1 thrown away")).to_be_visible()
    assert cart.on_hand(dated["Tube"]) == 0
    page.get_by_role("button", name=re.compile("Undo.*1 thrown away")).click()
    expect(page.get_by_role("button", name=re.compile("Thrown away 1.*Tube"))).to_be_visible()
    assert cart.on_hand(dated["Tube"]) == 1

    page.get_by_role("link", name=re.compile("Other.*Mask")).click()
    page.get_by_label("Pieces").fill("3")
    page.get_by_label("Carried to").select_option(label="Cart 2")
    axe()
    screenshot("pull list")
    page.get_by_role("button", name="Carried there").click()
    expect(page.get_by_text("Cart 1 · 3 carried to Cart 2")).to_be_visible()
    assert cart.on_hand(dated["Mask"]) == 1

    page.get_by_role("link", name=re.compile("Read the packs.*Strip")).click()
    page.get_by_label(re.compile("Earliest date read")).fill((today + timedelta(days=90)).isoformat())
    axe()
    screenshot("dates")
    page.get_by_role("button", name="Keep these dates").click()
    expect(page.get_by_text("1 date kept")).to_be_visible()
    assert DateCheck.objects.get().consumable == dated["Strip"]


@pytest.mark.parametrize("size", [PHONE, DESKTOP], ids=["phone", "desk"])
def test_bundles_are_made_up_taken_apart_and_taken_back(
    page, live_server, sign_in, storeroom, cart, technician, size, axe, screenshot
):
    strip, bundle = ConsumableFactory(name="Dressing strip"), ConsumableFactory(name="IV start bundle")
    BundlePiece.objects.create(bundle=bundle, piece=strip, pieces_per_bundle=2)
    StockingLineFactory(place=storeroom, consumable=bundle, par=2)
    StockingLineFactory(place=cart, consumable=bundle, par=3)
    lot = LotFactory(consumable=strip, number="STRIP-1")
    ledger.receive(
        place=storeroom, consumable=strip, quantity=8, lot=lot, by=technician, at=timezone.now(), key="strips"
    )
    sign_in("technician")
    page.set_viewport_size(size)
    page.goto(live_server.url + reverse("bundles"))
    expect(page.get_by_text("Dressing strip: 2 missing")).to_be_visible()
    axe()
    screenshot("bundles")
    page.get_by_role("button", name=re.compile("Made up.*IV start bundle")).click()
    expect(page.get_by_text("4 × IV start bundle made up")).to_be_visible()
    expect(page.get_by_text("STRIP-1")).to_be_visible()
    axe()
    screenshot("lot")

    page.get_by_label("How many in Main storeroom").fill("1")
    page.get_by_role("button", name=re.compile("Taken apart.*Main storeroom")).click()
    expect(page.get_by_text("1 taken apart")).to_be_visible()
    assert (storeroom.on_hand(bundle), storeroom.on_hand(strip)) == (3, 2)

    page.get_by_role("link", name="Bundles", exact=True).last.click()
    page.get_by_role("button", name=re.compile("Undo.*1 × IV")).click()
    expect(page.get_by_text("Taken back: 1 × IV start bundle")).to_be_visible()
    assert (storeroom.on_hand(bundle), storeroom.on_hand(strip)) == (4, 0)
