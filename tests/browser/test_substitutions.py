"""A stand-in during a back-order: proposed from the shortage, agreed by a clinician, read where it is needed."""

from datetime import timedelta

import pytest
from django.urls import reverse
from playwright.sync_api import expect

from tests.factories import ConsumableFactory

pytestmark = pytest.mark.django_db(transaction=True)


def test_stand_in_is_proposed_from_a_shortage_agreed_and_read_in_the_room(
    page, live_server, sign_in, add_shortage, room, today, axe, screenshot
):
    ConsumableFactory(name="Stylet", size="14 Fr")
    line = add_shortage(name="Bougie", size="15 Fr").plan_line
    sign_in("supervisor")
    page.goto(live_server.url + reverse("shortage", args=[line.pk]))
    page.get_by_role("link", name="Propose what may stand in for it").click()
    axe()
    page.get_by_role("textbox", name="Scan it, or type words of its name").fill("stylet")
    page.keyboard.press("Enter")
    page.get_by_role("link", name="Stylet, 14 Fr").click()
    expect(page.get_by_role("checkbox", name="Differs in size")).to_be_checked()
    expect(page.get_by_role("checkbox", name="Differs in size")).to_be_disabled()
    page.get_by_label("What differs, in words for who picks it up").fill("thinner and shorter")
    page.get_by_label("Last day on which it may stand in").fill((today + timedelta(days=9)).isoformat())
    axe()
    screenshot("proposed")
    page.get_by_role("button", name="Propose it").click()
    expect(page.get_by_text("1 waits for a clinician.")).to_be_visible()

    sign_in("clinician")
    page.goto(live_server.url + reverse("substitutions"))
    axe()
    page.get_by_role("button", name="Agree: Stylet, 14 Fr for Bougie, 15 Fr").click()
    expect(page.get_by_text("1 card holds today.")).to_be_visible()
    screenshot("agreed")
    page.goto(live_server.url + reverse("log-need-line", args=[room.pk, line.consumable_id]))

    expect(page.get_by_text("thinner and shorter")).to_be_visible()
    axe()
    screenshot("needed")
