"""The search box of the header."""

import pytest
from django.urls import reverse

from inventory import ledger
from inventory.departments import open_department
from tests.conftest import NOON
from tests.factories import CartFactory, ConsumableFactory, PackagingFactory, StockingLineFactory, UserFactory

from .test_pages import words
from .test_query_counts import queries

# Check digit by the rule of the GS1 General Specifications, from the right 3, 1, 3, 1, ...:
# 3 x (3+3+3+8+6+0) + (9+3+1+3+0+4) = 69 + 20 = 89, and 1 brings it to 90. With 14 digits a zero leads.
GTIN_13 = "4006381333931"


@pytest.fixture
def search(client, department):
    def ask(typed, role="clinician", **options):
        client.force_login(UserFactory(groups=[role]))
        return client.post(reverse("search"), {"q": typed}, follow=True, **options)

    return ask


@pytest.mark.parametrize("role", ["clinician", "technician", "supervisor"])
def test_every_role_finds_lines_places_and_rooms_in_groups(search, tube, cart, room, role):
    ConsumableFactory(name="Cart cover", code="OR-1-COVER")

    said = words(search("1", role=role))

    assert said.index("Cart cover") < said.index("Carts and storerooms") < said.index(cart.name)
    assert said.index(cart.name) < said.index("Rooms", said.index(cart.name))


def test_line_is_found_by_its_name_as_it_is_shown(search):
    line = ConsumableFactory(name="Heat and moisture exchange filter, adult", size="22/15 mm")

    assert line.code in words(search(line.label))


@pytest.mark.parametrize("typed", [GTIN_13, "0" + GTIN_13, "]d201" + "0" + GTIN_13])
def test_scanned_pack_leads_straight_to_its_line(search, tube, typed):
    PackagingFactory(consumable=tube, barcode="0" + GTIN_13)

    assert search(typed).redirect_chain == [(reverse("item", args=[tube.pk]), 302)]


def test_unknown_barcode_says_what_to_do(search):
    assert "Ask a supervisor to add it" in words(search(GTIN_13))
    assert "Say which line this is" in words(search(GTIN_13, role="supervisor"))


def test_nothing_of_another_department_is_found(client, department):
    other = open_department(code="other", name="Other")
    line = ConsumableFactory(department=other, name="Foreign line")
    PackagingFactory(consumable=line, barcode="FOREIGN-1")
    CartFactory(department=other, room=None, name="Foreign cart")
    client.force_login(UserFactory(groups=["clinician"]))

    assert "Nothing here has all these words" in words(client.get(reverse("search"), {"q": "Foreign"}))
    assert client.post(reverse("search"), {"q": "FOREIGN-1"}).url == reverse("search") + "?q=FOREIGN-1"
    assert client.get(reverse("item", args=[line.pk])).status_code == 404


def test_line_says_where_it_is_and_when_the_record_is_wrong(client, stocked_cart, tube, storeroom, technician):
    client.force_login(technician)
    ledger.use(place=stocked_cart, consumable=tube, quantity=7, by=technician, at=NOON, key="u")

    said = words(client.get(reverse("item", args=[tube.pk])))

    assert stocked_cart.name in said
    assert "-2: please count" in said
    assert storeroom.name not in said


def test_results_and_line_take_as_many_queries_for_sixty_as_for_one(client, technician, tube):
    client.force_login(technician)
    addresses = [reverse("search") + "?q=r", reverse("item", args=[tube.pk])]

    def add():
        StockingLineFactory(place=CartFactory(), consumable=tube)

    add()
    for address in addresses:
        queries(client, address)
    of_one = [len(queries(client, address)) for address in addresses]
    for _ in range(59):
        add()

    assert [len(queries(client, address)) for address in addresses] == of_one
