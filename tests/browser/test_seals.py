"""A sealed cart's day: seen intact, opened, checked line by line by one person, closed; and held against guidance."""

from datetime import timedelta

import pytest
from django.urls import reverse
from playwright.sync_api import expect

from inventory import seals
from tests.factories import BinFactory, CartFactory, ConsumableFactory, StockingLineFactory

from .conftest import DESKTOP, PHONE

pytestmark = pytest.mark.django_db(transaction=True)


@pytest.fixture
def sealed(department, tube):
    """A cart with a tube and a drug of the pharmacy's. All is invented."""
    cart = CartFactory(name="Airway cart", room=None, sealed=True)
    drawer = BinFactory(place=cart, code="D1")
    drug = ConsumableFactory(name="Dantrolene vial", size="20 mg", owner="pharmacy")
    for line in (tube, drug):
        StockingLineFactory(place=cart, consumable=line, bin=drawer)
    return cart


@pytest.mark.parametrize("size", [PHONE, DESKTOP], ids=["phone", "desk"])
def test_opened_cart_is_checked_closed_and_seen(page, live_server, sign_in, sealed, today, size, axe, screenshot):
    day = (today + timedelta(days=200)).isoformat()
    sign_in("technician")
    page.set_viewport_size(size)
    page.goto(live_server.url + reverse("seals"))
    axe()
    page.get_by_role("link", name="Check it").click()
    tube = page.get_by_role("group", name="Tracheal tube, cuffed, 7.0 mm")
    tube.get_by_label("Counted").fill("4")
    tube.get_by_label("Earliest date printed").fill(day)
    drug = page.get_by_role("group", name="Dantrolene vial, 20 mg")
    drug.get_by_label("There?").select_option("yes")
    drug.get_by_label("No date on them").check()
    axe()
    screenshot("check")
    page.get_by_role("button", name="Save what I filled in").click()
    expect(page.get_by_text("2 of 2 lines checked since. 2 of them by you.")).to_be_visible()
    page.get_by_label("Number of the new seal").fill("4711")
    page.get_by_label("Earliest date, as you wrote it on the outside").fill(day)

    page.get_by_role("button", name="Closed and sealed").click()

    expect(page.get_by_text("Under seal 4711.")).to_be_visible()
    axe()
    screenshot("closed")
    assert seals.standing_of(sealed).number == "4711"

    page.get_by_label("Number of the seal that came off").fill("4711")
    page.get_by_role("button", name="I opened it").click()
    expect(page.get_by_text("0 of 2 lines checked since.")).to_be_visible()


def test_supervisor_holds_a_cart_against_guidance(page, live_server, sign_in, sealed, axe, screenshot):
    sign_in("supervisor")
    page.set_viewport_size(DESKTOP)
    page.goto(live_server.url + reverse("cart-guidance", args=[sealed.pk]))
    page.get_by_role("link", name="Malignant hyperthermia cart").click()
    axe()
    page.get_by_label("Dantrolene, vials of 20 mg").select_option(label="Dantrolene vial, 20 mg")
    page.get_by_role("button", name="Save").click()

    expect(page.get_by_role("row", name="Dantrolene, vials of 20 mg")).to_contain_text("not there")
    axe()
    screenshot("guidance")
