from datetime import UTC, datetime

from inventory import ledger

NOON = datetime(2026, 3, 4, 12, tzinfo=UTC)


def test_use_sent_twice_is_recorded_once(stocked_cart, tube, clinician):
    first = ledger.use(place=stocked_cart, consumable=tube, quantity=1, by=clinician, at=NOON, key="use-1")
    again = ledger.use(place=stocked_cart, consumable=tube, quantity=1, by=clinician, at=NOON, key="use-1")

    assert again == first
    assert stocked_cart.on_hand(tube) == 4
