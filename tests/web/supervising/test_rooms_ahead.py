"""The rooms of the planned day, by section."""

import re
from datetime import timedelta

import pytest
from django.urls import reverse
from django.utils import timezone

from inventory import ledger
from inventory.models import Section
from tests.factories import (
    CartFactory,
    CaseFactory,
)

from ..test_pages import words


class TestRoomsAhead:
    @pytest.fixture
    def listed(self, room, tomorrow):
        return CaseFactory(room=room, date=tomorrow, order=1)

    def test_say_by_section_what_is_missing_or_short(self, signed_in, add_line, cart, technician, listed):
        add_line(name="Bougie", section=Section.AIRWAY)
        held = add_line(name="Cannula", section=Section.IV)
        ledger.count(
            place=cart, consumable=held.consumable, counted=2, by=technician, key="c",
            at=timezone.now() - timedelta(hours=9, minutes=3),
        )  # fmt: skip

        said = words(signed_in.get(reverse("rooms-ahead")))
        of_room = words(signed_in.get(reverse("room-ahead", args=[listed.room_id])))

        assert "In 1 room of 1 something is missing or may run short." in said
        assert re.search(r"OR-1 1 1 missing 1 short counted 9 h ago", said)
        assert re.search(r"Bougie 0 2 to 4 missing", of_room)
        assert re.search(r"Cannula 2 2 to 4 may run short by 2", of_room)
        assert "Machine nothing known missing" in of_room

    def test_pieces_that_tonight_brings_are_counted_in(self, signed_in, add_line, storeroom, listed):
        add_line(name="Bougie").picks.create(storeroom=storeroom, quantity=4)

        said = words(signed_in.get(reverse("room-ahead", args=[listed.room_id])))

        assert "Nothing known missing." in said
        assert re.search(r"Bougie 0 4 2 to 4 covered once brought", said)

    def test_never_say_ready(self, signed_in, add_line, cart, technician, listed):
        line = add_line()
        ledger.count(
            place=cart, consumable=line.consumable, counted=9, by=technician, at=timezone.now(), key="all there"
        )

        for address in (reverse("rooms-ahead"), reverse("room-ahead", args=[listed.room_id])):
            said = words(signed_in.get(address))
            assert "othing known missing; counted 1 min ago" in said
            assert not re.search(r"\bready\b", said, re.IGNORECASE)

    def test_shared_cart_counts_for_what_the_own_cart_does_not_keep(self, signed_in, add_line, room, listed):
        line = add_line(name="Bougie")
        shared = CartFactory(name="Airway cart", room=None, serves=[room], walk_order=9)
        add_line(line.consumable, place=shared)
        add_line(name="Scope", place=shared)

        of_room = words(signed_in.get(reverse("room-ahead", args=[room.pk])))

        assert of_room.count("Bougie") == 1
        assert "Scope" in of_room
