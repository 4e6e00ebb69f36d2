"""A delivery at the storeroom's door: a scan for every pack, and one click."""

import time

import pytest
from django.urls import reverse
from django.utils import timezone
from playwright.sync_api import expect

from inventory import orders
from inventory.barcodes import check_digit
from inventory.models import ArrivedPack, Receipt
from inventory.orders import Wanted
from tests.factories import ConsumableFactory, PackagingFactory

from .conftest import DESKTOP, PHONE

pytestmark = pytest.mark.django_db(transaction=True)
PACKS, LINES = 20, 4


def item(number):
    body = f"{490_000 + number:013d}"
    return body + check_digit(body)


@pytest.fixture
def order(storeroom, supervisor):
    """Five packs of ten of each of four lines."""
    wanted = []
    for number in range(LINES):
        line = ConsumableFactory(name=f"Line {number}")
        PackagingFactory(consumable=line, barcode=item(number), pieces_per_pack=10)
        wanted.append(Wanted(line, PACKS // LINES, 10))
    made = orders.start_order(storeroom=storeroom, number="R-1", lines=wanted, by=supervisor, at=timezone.now())
    return orders.place_order(order=made, by=supervisor, at=timezone.now())


def scan(page, code):
    """As a hand scanner does: it types where the hand left the cursor, and presses Enter."""
    page.locator("[data-takes-scans]").wait_for()
    page.keyboard.insert_text(code)
    page.keyboard.press("Enter")


@pytest.mark.parametrize("size", [PHONE, DESKTOP], ids=["phone", "desk"])
def test_twenty_scans_and_one_click_receive_twenty_packs(
    page, live_server, sign_in, order, storeroom, size, axe, screenshot
):
    sign_in("technician")
    page.set_viewport_size(size)
    page.goto(live_server.url + reverse("receiving"))
    page.get_by_role("link", name="R-1").click()
    started = time.perf_counter()
    for number in range(PACKS):
        scan(page, f"01{item(number % LINES)}17330630" + f"10LOT{number % LINES}")
    expect(page.get_by_text("20 packs scanned.")).to_be_visible(timeout=40_000)
    axe()
    screenshot("scanned")

    page.get_by_role("button", name="Put 20 packs on record").click()

    expect(page.get_by_text("200 pieces are on record.")).to_be_visible()
    seconds = time.perf_counter() - started
    assert seconds < 60, f"{seconds:.0f} s from the first scan to the last piece on record"
    assert Receipt.objects.count() == LINES
    assert sum(holding.quantity for holding in storeroom.holdings.all()) == 200
    assert not any(one.open for one in orders.standings(order.lines.all()))
    axe()
    screenshot("on record")


def test_scans_survive_a_reload_and_a_lost_network(page, live_server, sign_in, order, storeroom, forgiven):
    forgiven.append("Failed to load resource: net::ERR_INTERNET_DISCONNECTED")
    sign_in("technician")
    page.goto(live_server.url + reverse("receive", args=[storeroom.pk]) + f"?order={order.pk}")
    scan(page, f"01{item(0)}17330630" + "10A1")
    expect(page.get_by_text("1 pack scanned.")).to_be_visible()

    page.context.set_offline(True)
    scan(page, f"01{item(1)}17330630" + "10A1")
    expect(page.get_by_text("1 scan has not reached the server yet")).to_be_visible()
    page.context.set_offline(False)
    expect(page.get_by_text("2 packs scanned.")).to_be_visible(timeout=15_000)
    expect(page.get_by_text("has not reached the server")).to_be_hidden()

    page.reload()
    expect(page.get_by_text("2 packs scanned.")).to_be_visible()
    assert ArrivedPack.objects.count() == 2


def test_click_that_is_quicker_than_the_last_scans_waits_for_them(page, live_server, sign_in, order, storeroom):
    sign_in("technician")
    page.goto(live_server.url + reverse("receive", args=[storeroom.pk]) + f"?order={order.pk}")
    scan(page, f"01{item(0)}17330630" + "10A1")
    expect(page.get_by_text("1 pack scanned.")).to_be_visible()
    page.route("**/scan/", lambda route: (time.sleep(1), route.continue_()))
    for number in range(3):
        scan(page, f"01{item(number)}17330630" + "10A1")

    page.get_by_role("button", name="on record").click()

    expect(page.get_by_text("40 pieces are on record.")).to_be_visible(timeout=20_000)


def test_wristband_never_leaves_the_device(page, live_server, sign_in, order, storeroom):
    sign_in("technician")
    page.goto(live_server.url + reverse("receive", args=[storeroom.pk]))
    sent = []
    page.on("request", lambda request: sent.append(request.post_data or ""))
    scan(page, "8018" + "412345678901234566")

    expect(page.get_by_text("This code is about a person")).to_be_visible()
    assert not any("412345678901234566" in data for data in sent)
    assert not ArrivedPack.objects.exists()


def test_supervisor_begins_an_order_places_it_and_keeps_a_back_order(
    page, live_server, sign_in, storeroom, axe, screenshot
):
    ConsumableFactory(name="Bougie", code="B1")
    sign_in("supervisor")
    page.set_viewport_size(DESKTOP)
    page.goto(live_server.url + reverse("orders"))
    page.get_by_text("Begin an order by hand").click()
    page.get_by_role("button", name="Begin", exact=True).click()
    page.get_by_label("Line", exact=True).select_option(label="B1 Bougie")
    page.get_by_label("Packs", exact=True).fill("4")
    page.get_by_role("button", name="Put it on the order").click()
    axe()
    page.get_by_role("button", name="Place the order").click()
    expect(page.get_by_text("nothing goes out by itself")).to_be_visible()

    page.get_by_text("The supplier says otherwise").click()
    page.get_by_label("Now expected").fill("2099-01-05")
    page.get_by_label("Note").fill("The maker is short")
    page.get_by_role("button", name="Keep as back-order").click()

    expect(page.get_by_text("The maker is short")).to_be_visible()
    expect(page.get_by_text("Mon 5 Jan")).to_be_visible()
    axe()
    screenshot("back-order")
