"""A supervisor's afternoon: see what will be short, do something about it, and look ahead."""

from datetime import timedelta

import pytest
from django.urls import reverse
from django.utils import timezone
from playwright.sync_api import expect

from inventory import ledger
from restock.models import AdvisedPar, ParAdviceRun, ShortageAction
from tests.factories import CartFactory, CaseFactory

from .conftest import DESKTOP, PHONE

pytestmark = pytest.mark.django_db(transaction=True)


@pytest.fixture
def short_line(add_shortage, add_line, room, tomorrow, technician):
    """A bougie that stays short on Cart 1, of which Cart 2 has some to spare."""
    line = add_shortage(name="Bougie", reason="The storerooms have none; 4 asked for in all.").plan_line
    CaseFactory(room=room, date=tomorrow, order=1)
    other = CartFactory(name="Cart 2", room=None)
    add_line(line.consumable, place=other, q_service=1, q50=1, top_up=0, allocated=0)
    ledger.receive(place=other, consumable=line.consumable, quantity=5, by=technician, at=timezone.now(), key="five")
    return line


@pytest.mark.parametrize("size", [PHONE, DESKTOP], ids=["phone", "desk"])
def test_shortage_is_seen_moved_and_taken_back(page, live_server, sign_in, short_line, size, axe, screenshot):
    sign_in("supervisor")
    page.set_viewport_size(size)
    page.goto(live_server.url + reverse("shortages"))
    expect(page.get_by_text("1 line stays below its target")).to_be_visible()
    page.get_by_role("link", name="What can be done: Bougie").click()
    screenshot("what can be done")
    page.get_by_role("button", name="I have moved them").click()
    expect(page.get_by_text("Kept: 2 moved from Cart 2.")).to_be_visible()
    assert short_line.place.on_hand(short_line.consumable) == 2
    axe()
    screenshot("moved")

    page.get_by_role("button", name="Undo: 2 moved from Cart 2").click()

    expect(page.get_by_text("Taken back: 2 moved from Cart 2").first).to_be_visible()
    assert short_line.place.on_hand(short_line.consumable) == 0
    assert ShortageAction.objects.count() == 2


@pytest.mark.parametrize("size", [PHONE, DESKTOP], ids=["phone", "desk"])
def test_advised_pars_are_ticked_and_taken(
    page, live_server, sign_in, short_line, department, today, size, axe, screenshot
):
    by = sign_in("supervisor")
    run = ParAdviceRun.objects.create(
        department=department, made_at=timezone.now(), by=by, first_day=today - timedelta(days=28), last_day=today,
        days=20, lines=2,
    )  # fmt: skip
    for stocking in short_line.consumable.stocking_lines.all():
        AdvisedPar.objects.create(
            run=run, stocking_line=stocking, par=5, advised=8, service_level=0.95, p_short_now=0.3,
            p_short_advised=0.04, days_short_now=6, days_short_advised=1, on_hand_now=5, on_hand_advised=8,
            reason="Par 5 covers only 70 of 100 days; 8 cover 19 of 20.",
        )  # fmt: skip
    page.set_viewport_size(size)
    page.goto(live_server.url + reverse("par-advice"))
    axe()
    screenshot("advice")
    page.get_by_role("checkbox", name="Bougie on Cart 1").check()
    page.get_by_role("spinbutton", name="New par of Bougie").first.fill("7")

    page.get_by_role("button", name="Take the ticked").click()

    expect(page.get_by_text("1 par changed.")).to_be_visible()
    assert short_line.place.stocking_lines.get(consumable=short_line.consumable).par == 7
    axe()


def test_rooms_ahead_lead_to_the_line_that_is_missing(page, live_server, sign_in, short_line, room, axe, screenshot):
    sign_in("supervisor")
    page.goto(live_server.url + reverse("rooms-ahead"))
    expect(page.get_by_text("1 missing")).to_be_visible()
    screenshot("rooms")
    page.get_by_role("link", name=room.code, exact=True).click()
    expect(page.get_by_role("link", name="Bougie")).to_be_visible()
    axe()
