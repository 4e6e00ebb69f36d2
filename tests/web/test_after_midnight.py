"""The evening's pages go on after midnight: what they say of the day that the plan covers stays true."""

from datetime import datetime, time
from zoneinfo import ZoneInfo

import pytest
from django.urls import reverse
from django.utils import timezone

from inventory.models import Department

from .routes import address_of
from .test_pages import words

MADRID = ZoneInfo("Europe/Madrid")
PAGES = {
    "round": (),
    "tonight": (),
    "carts": (),
    "cart": ("place_id",),
    "fill-cart": ("place_id",),
    "walk": (),
    "round-sheet": (),
    "line": ("line_id",),
    "shortages": (),
    "rooms-ahead": (),
    "room-ahead": ("room_id",),
}


@pytest.fixture
def department(department):
    """Its clock is not the server's: at 23:30 there it is 21:30 or 22:30 in UTC."""
    Department.objects.update(time_zone="Europe/Madrid")
    department.refresh_from_db()
    return department


@pytest.fixture
def at_night(monkeypatch, today, tomorrow):
    """`at_night(time(0, 30))`: set the clock to the night between the two days, in the department's own time."""

    def turn(hour):
        instant = datetime.combine(today if hour.hour > 12 else tomorrow, hour, MADRID)
        monkeypatch.setattr(timezone, "now", lambda: instant)

    return turn


@pytest.mark.parametrize("page", PAGES)
def test_plan_made_in_the_evening_covers_tomorrow_before_midnight_and_today_after_it(
    signed_in, evening, at_night, page
):
    line = evening(2)
    signed_in.post(reverse("take-carts"), {"plan": line.plan_id, "cart": line.place_id})
    address = address_of(page, PAGES[page], line)

    at_night(time(23, 30))
    before = words(signed_in.get(address))
    at_night(time(0, 30))
    after = words(signed_in.get(address))

    assert "cover tomorrow" in before
    assert "cover today" in after
    assert "omorrow" not in after
    assert "onight" not in before + after
