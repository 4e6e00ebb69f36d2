"""Bundles in the browser: what to make up, made up, taken apart, taken back."""

from uuid import uuid4

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from django.utils import timezone

from inventory import bundles, ledger
from inventory.models import Assembly, BundlePiece
from tests.factories import ConsumableFactory, StockingLineFactory


@pytest.fixture
def new_bundle(storeroom, technician):
    """`new_bundle(pieces=5)`: a bundle of two strips, kept in the storeroom, with so many strips there."""

    def make(pieces=6):
        strip, bundle = ConsumableFactory(name="Dressing strip"), ConsumableFactory(name="IV start bundle")
        BundlePiece.objects.create(bundle=bundle, piece=strip, pieces_per_bundle=2)
        StockingLineFactory(place=storeroom, consumable=bundle, par=3)
        ledger.receive(
            place=storeroom, consumable=strip, quantity=pieces, by=technician, at=timezone.now(), key=f"got {strip.pk}"
        )
        return bundle

    return make


@pytest.fixture
def make(signed_in, storeroom):
    def post(bundle, number, key=None):
        sent = {"place": storeroom.pk, "bundle": bundle.pk, "bundles": number, "key": key or uuid4().hex}
        return signed_in.post(reverse("make-up"), sent, follow=True).content.decode()

    return post


def test_page_says_what_to_make_up_and_for_how_many_the_pieces_suffice(signed_in, new_bundle):
    new_bundle(pieces=4)

    page = signed_in.get(reverse("bundles")).content.decode()

    assert "carts lack 0, kept here 3, made up and in date 0" in page
    assert "pieces here suffice for 2" in page
    assert "Dressing strip: 2 missing" in page


def test_made_up_leads_to_the_lot_and_is_taken_apart_and_back(signed_in, new_bundle, make, storeroom):
    bundle, key = new_bundle(), uuid4().hex
    for _ in range(2):
        page = make(bundle, 3, key)
    assert "3 × IV start bundle made up" in page
    assert storeroom.on_hand(bundle) == 3

    lot = Assembly.objects.get().lot
    apart = {"place": storeroom.pk, "lot": lot.pk, "bundles": 1, "key": uuid4().hex}
    page = signed_in.post(reverse("bundle-lot", args=[lot.pk]), apart, follow=True).content.decode()
    assert "1 taken apart" in page
    assert bundles.bundles_of(lot) == 2

    latest = Assembly.objects.get(kind="taken_apart")
    signed_in.post(reverse("take-assembly-back", args=[latest.pk]), {"key": uuid4().hex})

    assert storeroom.on_hand(bundle) == 3
    assert "taken back" in signed_in.get(reverse("bundles")).content.decode()


def test_too_few_pieces_are_named_and_nothing_is_made_up(new_bundle, make, storeroom):
    bundle = new_bundle(pieces=1)

    page = make(bundle, 1)

    assert "Dressing strip: 2 needed, 1 usable, 1 missing" in page
    assert storeroom.on_hand(bundle) == 0


def test_set_up_page_is_offered_to_a_supervisor_alone(client, signed_in, supervisor, new_bundle):
    new_bundle()
    address = reverse("setup-list", args=["bundle-pieces"])
    assert address not in signed_in.get(reverse("bundles")).content.decode()

    client.force_login(supervisor)

    assert address in client.get(reverse("bundles")).content.decode()
    assert "Dressing strip" in client.get(address).content.decode()


def test_many_bundles_take_no_more_queries_than_one(signed_in, new_bundle, make):
    asked = []
    for more in (1, 24):
        for _ in range(more):
            make(new_bundle(), 1)
        with CaptureQueriesContext(connection) as captured:
            assert signed_in.get(reverse("bundles")).status_code == 200
        asked.append(len(captured))

    assert asked[0] == asked[1]
