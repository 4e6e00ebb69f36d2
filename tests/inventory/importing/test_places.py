import pytest

from inventory.importing import places
from inventory.importing.problems import SheetRefused
from inventory.models import Bin, Place, Room

SHEET = """place,kind,room,bin,walk_order,serves,room_kind,restocked_from
MAIN,storeroom,,aisle 1,1,,,
MAIN,,,aisle 2,2,,,
C1,Room cart,OR1,drawer 1,,,,MAIN
C1,,,drawer 2,,,,
C2,Room cart,MRI,drawer 1,,,off_site,MAIN
AIRWAY,difficult airway,,,,all,,
"""


def test_sheet_becomes_places_with_their_rooms_and_bins(load, department):
    load(places, SHEET)

    cart = Place.objects.get(code="C1")
    assert (cart.role, cart.kind.code, cart.room.code, cart.restocked_from.code) == ("cart", "room-cart", "OR1", "MAIN")
    assert [bin_.code for bin_ in cart.bins.all()] == ["drawer 1", "drawer 2"]
    assert Room.objects.get(code="MRI").kind == Room.Kind.OFF_SITE
    assert set(Place.objects.get(code="AIRWAY").serves.values_list("code", flat=True)) == {"OR1", "MRI"}
    assert list(department.places.physical().values_list("code", flat=True)) == ["MAIN", "C1", "C2", "AIRWAY"]


def test_same_places_again_change_nothing(load):
    load(places, SHEET)

    assert not load(places, SHEET).changed


def test_row_without_a_bin_sets_the_order_of_the_place(load):
    load(places, SHEET)

    load(places, "place,bin,walk_order\nC2,,40\nC1,drawer 2,7\n")

    assert Place.objects.get(code="C2").walk_order == 40
    assert Bin.objects.get(place__code="C1", code="drawer 2").walk_order == 7
    assert Place.objects.get(code="C1").room.code == "OR1"


@pytest.mark.parametrize(
    ("rows", "message"),
    [
        ("N1,,,,,\n", "column “kind”: found nothing; expected storeroom or a kind of cart, for a new place"),
        ("N1,cart,OR1,,,\nN1,cart,OR2,,,\n", "row 3, column “room”: found “OR2”; expected the same as in row 2"),
        ("N1,cart,OR1,d1,,\nN1,,,d1,,\n", "row 3, column “bin”: found “d1” again, first in row 2"),
        ("N1,cart,,,OR1;OR9,\nN2,cart,OR1,,,\n", "column “serves”: found “OR9”"),
        ("N1,cart,OR1,,,MAIM\nMAIN,storeroom,,,,\n", "found “MAIM”; expected the code of a storeroom; the nearest"),
        ("N1,storeroom,OR1,,,\n", "expected nothing: this place is a storeroom"),
        ("supplier,cart,OR1,,,\n", "expected a code that the ledger does not use itself"),
    ],
)  # fmt: skip
def test_fault_in_the_places_is_named_and_nothing_is_written(load, department, rows, message):
    with pytest.raises(SheetRefused) as refused:
        load(places, f"place,kind,room,bin,serves,restocked_from\n{rows}")

    assert message in str(refused.value)
    assert not department.places.physical().exists()
    assert not Room.objects.exists()


def test_cart_that_no_case_draws_on_is_warned_of(load):
    told = load(places, SHEET + "SPARE,room cart,,,,,,\n").notes

    assert told == [
        "CHECK: no case draws on “SPARE”: such a cart stands in no room and serves none (columns room and serves of "
        "the places sheet)."
    ]
    assert load(places, SHEET).notes == []  # it is not in this sheet
