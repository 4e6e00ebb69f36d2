"""Scanning as hands do it: a scanner that types, a phone that looks, a wristband by mistake."""

import re
from datetime import timedelta

import pytest
from django.urls import reverse
from playwright.sync_api import expect

from inventory.barcodes import check_digit
from inventory.models import Packaging
from tests.factories import (
    CaseFactory,
    ConsumableFactory,
    PackagingFactory,
    SetupStandardFactory,
    StockingLineFactory,
)
from tests.person_codes import PERSON_CODES, RECIPIENT

from .conftest import DESKTOP, PHONE

pytestmark = pytest.mark.django_db(transaction=True)

# A stand-in for the browser's own detector, which headless Chromium on Linux has not: it sees what the test says, and
# counts how often it looked. The camera is a canvas, so that stopping its tracks can be watched.
CAMERA = """
window.looked = 0;
window.seen = [];
window.BarcodeDetector = class {
  static async getSupportedFormats() { return ["qr_code", "data_matrix", "code_128"]; }
  constructor({ formats }) { window.formats = formats; }
  async detect() { window.looked += 1; return window.seen.map((rawValue) => ({ rawValue })); }
};
const picture = document.createElement("canvas");
setInterval(() => picture.getContext("2d").fillRect(0, 0, 10, Math.random() * 10), 50);
navigator.mediaDevices.getUserMedia = async (asked) => {
  window.asked = asked;
  if (window.refuse) throw new DOMException("no", "NotAllowedError");
  window.stream = picture.captureStream(5);
  return window.stream;
};
"""

KEPT_ON_THE_DEVICE = """async () => {
  const kept = [JSON.stringify({ ...localStorage }), JSON.stringify({ ...sessionStorage })];
  for (const name of await caches.keys()) {
    const cache = await caches.open(name);
    for (const request of await cache.keys()) kept.push(request.url, await (await cache.match(request)).text());
  }
  const { waiting } = await import(document.getElementById("log").dataset.outbox);
  kept.push(JSON.stringify(await waiting()));
  return kept.join();
}"""
HELD_BACK = """async (codes) => {
  const { isAboutAPerson } = await import(document.querySelector("script[src*=scan-people]").src);
  return codes.map(isAboutAPerson);
}"""


@pytest.fixture
def packs(cart):
    """Twenty lines with a pack each: (line, item number)."""
    made = []
    for number in range(20):
        line = ConsumableFactory(name=f"Line number {number:02}")
        item = f"1061414100{number:03}"
        item += check_digit(item)
        PackagingFactory(consumable=line, barcode=item)
        StockingLineFactory(place=cart, consumable=line)
        made.append((line, item))
    return made


@pytest.fixture
def scan_page(page, live_server, sign_in, department):
    sign_in("technician")
    page.goto(live_server.url + reverse("scan"))
    return page


def until(page, expression):
    """Wait for JavaScript to be true; Playwright's own way needs eval, which our policy forbids."""
    for _ in range(100):
        if page.evaluate(expression):
            return
        page.wait_for_timeout(50)
    raise AssertionError(expression)


@pytest.fixture
def sent(page):
    """`sent()`: what the page has asked the server for since the test began, but files."""
    asked = []
    page.on("request", lambda request: asked.append(f"{request.url} {request.post_data or ''}"))
    return lambda: [one for one in asked if "/static/" not in one]


def test_twenty_scans_are_typed_one_after_the_other_without_a_click(scan_page, packs, screenshot, axe, today):
    """As a keyboard-wedge scanner types: fast, with Ctrl+] for the separator, and Enter at the end."""
    expires_on = today + timedelta(days=300)
    for number, (line, item) in enumerate(packs):
        scan_page.keyboard.type(f"]d201{item}17{expires_on:%y%m%d}10LOT{number:02}21")
        scan_page.keyboard.press("Control+]")
        scan_page.keyboard.type("21SER9")
        scan_page.keyboard.press("Enter")
        expect(scan_page.get_by_role("heading", name=line.label)).to_be_visible()
        expect(scan_page.get_by_text(f"LOT{number:02}21", exact=False).first).to_be_visible()
        expect(scan_page.get_by_label(re.compile("Scan the next pack"))).to_be_focused()
    expect(scan_page.locator("main")).not_to_contain_text("SER9")
    expect(scan_page.get_by_text("300 more days")).to_be_visible()
    for size in (PHONE, DESKTOP):
        scan_page.set_viewport_size(size)
        axe()
        screenshot("scanned")


def test_unknown_pack_is_attached_once_and_known_from_then_on(page, live_server, sign_in, tube, screenshot, axe):
    sign_in("supervisor")
    page.goto(live_server.url + reverse("scan"))
    page.keyboard.type("(01)51022222233336(10)LOT7")
    page.keyboard.press("Enter")
    page.get_by_role("link", name="Say which line this is").click()
    page.get_by_label("Find the line").fill("tube")
    page.keyboard.press("Enter")
    page.get_by_label(re.compile("Tracheal tube")).check()
    page.get_by_label("How many it holds").fill("10")
    axe()
    screenshot("new pack")
    page.get_by_role("button", name="Remember this pack").click()
    expect(page.get_by_text("is known now")).to_be_visible()
    page.keyboard.type("(01)51022222233336")
    page.keyboard.press("Enter")
    expect(page.get_by_role("heading", name=tube.label)).to_be_visible()

    assert Packaging.objects.get(barcode="51022222233336").pieces_per_pack == 10


class TestCamera:
    @pytest.fixture
    def scan_page(self, page, live_server, sign_in, department):
        page.add_init_script(CAMERA)
        sign_in("technician")
        page.goto(live_server.url + reverse("scan"))
        return page

    def test_reads_a_pack_and_is_switched_off(self, scan_page, packs, axe, screenshot):
        line, item = packs[3]
        scan_page.get_by_role("button", name="Camera").click()
        expect(scan_page.get_by_text("Nothing is recorded.", exact=False).first).to_be_visible()
        axe()
        screenshot("looking")
        until(scan_page, "window.looked > 1")
        assert scan_page.evaluate("window.asked") == {"video": {"facingMode": "environment"}, "audio": False}
        assert scan_page.evaluate("window.formats") == ["data_matrix", "qr_code", "code_128"]
        with scan_page.expect_navigation():
            scan_page.evaluate("item => { window.seen = [`01${item}10LOT7\\u001d21SER9`]; }", item)

        expect(scan_page.get_by_role("heading", name=line.label)).to_be_visible()
        expect(scan_page.get_by_text("LOT7")).to_be_visible()

    def test_is_closed_by_its_button_and_stops_looking(self, scan_page):
        scan_page.get_by_role("button", name="Camera").click()
        until(scan_page, "window.looked > 0")
        scan_page.get_by_role("button", name="Close the camera").click()
        expect(scan_page.locator("dialog")).to_be_hidden()
        until(scan_page, "window.stream.getTracks().every((track) => track.readyState === 'ended')")
        looked = scan_page.evaluate("window.looked")
        scan_page.wait_for_timeout(400)

        assert scan_page.evaluate("window.looked") <= looked + 1
        expect(scan_page.get_by_label("Scan a pack or a label")).to_be_focused()

    def test_that_is_not_allowed_is_said_in_words(self, scan_page):
        scan_page.evaluate("window.refuse = true")
        scan_page.get_by_role("button", name="Camera").click()

        expect(scan_page.get_by_text("The camera is not available")).to_be_visible()

    def test_that_sees_a_wristband_sends_nothing(self, scan_page, sent):
        before = len(sent())
        scan_page.get_by_role("button", name="Camera").click()
        scan_page.evaluate("code => { window.seen = [code]; }", PERSON_CODES["recipient with symbology"])
        expect(scan_page.get_by_text("This code is about a person")).to_be_visible()

        assert len(sent()) == before
        expect(scan_page.get_by_label("Scan a pack or a label")).to_have_value("")


def test_without_a_detector_no_camera_is_offered(page, live_server, sign_in, department):
    page.add_init_script("delete window.BarcodeDetector;")
    sign_in("technician")
    page.goto(live_server.url + reverse("scan"))

    expect(page.get_by_role("button", name="Read")).to_be_visible()
    expect(page.get_by_role("button", name="Camera")).to_be_hidden()


class TestWristband:
    """Every code about a person that the server refuses is held back on the device already."""

    def test_is_recognised_in_every_form(self, scan_page):
        told = scan_page.evaluate(HELD_BACK, list(PERSON_CODES.values()))

        assert [form for form, held_back in zip(PERSON_CODES, told, strict=True) if not held_back] == []

    def test_packs_are_not_taken_for_people(self, scan_page, packs):
        harmless = [
            *(item for _, item in packs),
            "8018190000018",  # an Italian maker's EAN-13
            "]d20151022222233336111412311715070710A213B1\x1d211234",
            "(01)00844588003288(17)141120(10)7654321D(21)10987654d321",
            "+A99912345/$$52001510X33",
            "https://id.example.org/01/12312312312333/10/ABC",
            "tube 7.0",
            "100% cotton",
        ]
        told = scan_page.evaluate(HELD_BACK, harmless)

        assert [code for code, held_back in zip(harmless, told, strict=True) if held_back] == []

    def test_in_the_search_box_of_any_page_is_never_sent(self, page, live_server, sign_in, department, sent):
        sign_in("clinician")
        page.set_viewport_size(DESKTOP)
        page.goto(live_server.url + reverse("carts"))
        before = len(sent())
        box = page.get_by_label("Search a line, a place or a room")
        box.fill(PERSON_CODES["recipient in brackets"])
        page.keyboard.press("Enter")
        expect(page.get_by_text("This code is about a person")).to_be_visible()
        expect(box).to_have_value("")

        assert len(sent()) == before

    def test_in_the_case_log_is_neither_sent_nor_kept(self, page, live_server, sign_in, room, cart, today, sent):
        case = CaseFactory(room=room, date=today, order=1)
        SetupStandardFactory(case_type=case.case_type, consumable=ConsumableFactory(name="Circuit"))
        sign_in("clinician")
        page.goto(live_server.url + reverse("log-room", args=[room.pk]))
        expect(page.get_by_text("Nothing waits on this device.")).to_be_visible()
        page.get_by_label("Another line").fill(PERSON_CODES["recipient"])
        page.keyboard.press("Enter")
        expect(page.get_by_text("This code is about a person")).to_be_visible()
        expect(page.get_by_label("Another line")).to_have_value("")

        assert not [request for request in sent() if RECIPIENT in request]
        assert RECIPIENT not in page.evaluate(KEPT_ON_THE_DEVICE)


def test_case_log_adds_a_line_by_camera(page, live_server, sign_in, room, cart, today):
    case = CaseFactory(room=room, date=today, order=1)
    SetupStandardFactory(case_type=case.case_type, consumable=ConsumableFactory(name="Circuit"))
    patch = ConsumableFactory(name="Eye patch")
    PackagingFactory(consumable=patch, barcode="614141000012")
    page.add_init_script(CAMERA)
    sign_in("clinician")
    page.goto(live_server.url + reverse("log-room", args=[room.pk]))
    page.get_by_role("button", name="Camera").click()
    page.evaluate("window.seen = ['010061414100001217301231']")

    expect(page.get_by_label("Used: Eye patch", exact=True)).to_have_value("1")


def test_labels_are_shown_as_they_will_be_printed(page, live_server, sign_in, packs, cart, screenshot, axe):
    sign_in("technician")
    page.set_viewport_size(DESKTOP)
    page.goto(live_server.url + reverse("labels"))
    page.get_by_label("Bins of").select_option(label=cart.name)
    page.get_by_role("button", name="Show").click()
    expect(page.get_by_role("img", name="A sheet of labels")).to_be_visible()
    for size in (DESKTOP, PHONE):
        page.set_viewport_size(size)
        axe()
        screenshot("labels")
    page.get_by_role("link", name="Page to print").click()
    page.emulate_media(media="print")
    sheet = page.locator("svg.label-page").first.bounding_box()

    assert sheet["width"] == pytest.approx(210 * 96 / 25.4, abs=2)  # CSS: 96 pixels to the inch
    assert (sheet["x"], sheet["y"]) == pytest.approx((0, 0), abs=1)
