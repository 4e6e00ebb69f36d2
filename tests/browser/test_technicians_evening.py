"""The evening round in two browsers: what one technician saves the other keeps."""

import pytest
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from inventory import ledger
from inventory.models import Movement
from restock.models import Filling, Pick, Shortage
from restock.plans import claiming
from tests.factories import BinFactory, CartFactory, UserFactory

from .conftest import DESKTOP, PHONE

pytestmark = pytest.mark.django_db(transaction=True)

TABLET = {"width": 820, "height": 1180}


@pytest.fixture
def lines(add_line, storeroom, technician):
    """Three lines of the cart, each with four pieces to take from a shelf that holds ten."""
    made = []
    for number, name in enumerate(("Airway", "Bougie", "Circuit"), 1):
        line = add_line(name=name)
        ledger.receive(
            place=storeroom, consumable=line.consumable, quantity=10, by=technician, at=timezone.now(), key=name
        )
        shelf = BinFactory(place=storeroom, code=f"A-{number}", walk_order=number)
        line.picks.create(storeroom=storeroom, quantity=4, bin=shelf)
        made.append(line)
    return made


@pytest.fixture
def colleague_page(browser, live_server, settings):
    """A second browser, in which a colleague is signed in."""
    user = UserFactory(username="colleague", groups=["technician"])
    client = Client()
    client.force_login(user)
    cookie = client.cookies[settings.SESSION_COOKIE_NAME]
    context = browser.new_context(viewport=TABLET, reduced_motion="reduce")
    context.add_cookies([{"name": cookie.key, "value": cookie.value, "url": live_server.url}])
    page = context.new_page()
    page.user = user
    yield page
    context.close()


def progress(page, words):
    page.locator(".stops-progress", has_text=words).wait_for()


def test_one_evening_from_taking_a_cart_to_its_last_drawer(page, live_server, sign_in, lines, axe, screenshot):
    page.set_viewport_size(PHONE)
    sign_in("technician")
    page.goto(live_server.url + reverse("round"))
    screenshot("carts")
    page.get_by_label("Cart 1").check()
    page.get_by_role("button", name="Take the ticked carts").click()
    page.get_by_role("link", name="Walk the storeroom").click()

    for taken in (1, 2):
        page.locator(".stop-next").get_by_role("button").click()
        progress(page, f"{taken} of 3 stops done")
    page.locator(".stop-now").get_by_role("link", name="Other").click()
    page.get_by_label("Took for OR-1").fill("1")
    axe()
    screenshot("other")
    page.get_by_role("button", name="Save; the rest could not be found").click()
    progress(page, "3 of 3 stops done")
    screenshot("walked")
    page.get_by_role("link", name="Fill Cart 1").click()
    for put_in in (1, 2, 3):
        page.locator(".stop-next").get_by_role("button").click()
        progress(page, f"{put_in} of 3 lines put in")
    axe()
    screenshot("filled")

    assert sorted(Filling.objects.values_list("pieces", flat=True)) == [1, 4, 4]
    assert Shortage.objects.get().short_by == 3
    assert not ledger.differences()


def test_what_was_saved_survives_a_battery_that_dies(page, live_server, sign_in, plan, cart, lines):
    user = sign_in("technician")
    claiming.take(plan, [cart.pk], by=user, at=timezone.now())
    page.goto(live_server.url + reverse("walk"))
    page.locator(".stop-next").get_by_role("button").click()
    progress(page, "1 of 3 stops done")

    page.goto("about:blank")
    page.context.clear_cookies()
    user = sign_in("technician")  # a colleague goes on with the cart, on another tablet
    claim = claiming.claims_of(plan).get()
    page.goto(live_server.url + reverse("round"))
    page.get_by_role("button", name="Take over").click()
    page.get_by_role("link", name="Walk the storeroom").click()

    progress(page, "1 of 3 stops done")
    assert claiming.claims_of(plan).get().pk != claim.pk


def test_of_two_who_tick_the_same_cart_one_has_it_and_the_other_reads_whose_it_is(
    page, colleague_page, live_server, sign_in, plan, cart, lines, add_line, storeroom
):
    second = CartFactory(code="CART-2", name="Cart 2", room=None, walk_order=2)
    add_line(name="Drape", place=second).picks.create(storeroom=storeroom, quantity=4)
    sign_in("technician")
    for each in (page, colleague_page):
        each.goto(live_server.url + reverse("round"))
        each.get_by_label("Cart 1").check()
    colleague_page.get_by_label("Cart 2").check()

    page.get_by_role("button", name="Take the ticked carts").click()
    page.get_by_text("1 cart is yours").wait_for()
    colleague_page.get_by_role("button", name="Take the ticked carts").click()

    colleague_page.get_by_text("has taken it").wait_for()
    held = {claim.place.name: claim.by.username for claim in claiming.claims_of(plan)}
    assert held["Cart 2"] == "colleague"
    assert held["Cart 1"] != "colleague"


def test_two_who_fill_the_same_cart_lose_nothing_of_each_other(
    page, colleague_page, live_server, sign_in, plan, cart, lines, screenshot
):
    page.set_viewport_size(TABLET)
    user = sign_in("technician")
    where = live_server.url + reverse("fill-cart", args=[cart.pk])
    for each in (page, colleague_page):
        each.goto(where)

    colleague_page.locator(f"#line-{lines[0].pk}").get_by_role("link", name="Other").click()
    colleague_page.get_by_label("Put in;").fill("3")
    colleague_page.get_by_role("button", name="Save this number").click()
    progress(colleague_page, "1 of 3 lines put in")
    # The first browser still shows the line as open.
    page.locator(f"#line-{lines[0].pk}").get_by_role("button", name="Put in 4").click()
    page.get_by_text("a colleague has said something else meanwhile").wait_for()
    screenshot("told")
    page.locator(f"#line-{lines[1].pk}").get_by_role("button", name="Put in 4").click()
    progress(page, "2 of 3 lines put in")
    colleague_page.locator(f"#line-{lines[2].pk}").get_by_role("button", name="Put in 4").click()
    progress(colleague_page, "3 of 3 lines put in")

    assert dict(Filling.objects.values_list("plan_line", "pieces")) == {
        lines[0].pk: 3,
        lines[1].pk: 4,
        lines[2].pk: 4,
    }
    assert {pick.confirmed_by.username for pick in Pick.objects.all()} == {"colleague", user.username}
    assert not ledger.differences()


def test_line_that_could_not_be_sent_says_so_and_is_saved_once_when_pressed_again(
    page, live_server, sign_in, plan, cart, lines, forgiven
):
    forgiven += ["Failed to load resource", "htmx:"]
    user = sign_in("technician")
    claiming.take(plan, [cart.pk], by=user, at=timezone.now())
    page.goto(live_server.url + reverse("walk"))

    page.context.set_offline(True)
    page.locator(".stop-next").get_by_role("button").click()
    page.get_by_text("Not saved: no answer from the server").wait_for()
    page.context.set_offline(False)
    page.locator(".stop-next").get_by_role("button").click()
    progress(page, "1 of 3 stops done")

    assert page.get_by_text("Not saved: no answer").is_hidden()
    assert Movement.objects.filter(kind="move").count() == 1


def test_without_javascript_the_same_pages_save_by_forms(browser, live_server, settings, plan, cart, lines):
    user = UserFactory(groups=["technician"])
    client = Client()
    client.force_login(user)
    cookie = client.cookies[settings.SESSION_COOKIE_NAME]
    claiming.take(plan, [cart.pk], by=user, at=timezone.now())
    context = browser.new_context(java_script_enabled=False, viewport=DESKTOP)
    context.add_cookies([{"name": cookie.key, "value": cookie.value, "url": live_server.url}])
    page = context.new_page()

    page.goto(live_server.url + reverse("walk"))
    page.locator(".stop-next").get_by_role("button").click()
    progress(page, "1 of 3 stops done")
    page.locator(".stop-now").get_by_role("link", name="Other").click()
    page.get_by_label("Took for OR-1").fill("2")
    page.get_by_role("button", name="Save these numbers").click()
    progress(page, "2 of 3 stops done")
    context.close()

    assert [pick.picked for pick in Pick.objects.order_by("pk")] == [4, 2, None]
