"""Receiving by scan: what is kept, what goes on record with one click, what stays and why, and the way back."""

from collections import Counter
from datetime import timedelta

import pytest
from django.db import connection
from django.db.models import Sum
from django.test.utils import CaptureQueriesContext
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from inventory import arrivals, ledger, orders, receiving
from inventory.arrivals import Against, ShortDated
from inventory.barcodes import check_digit
from inventory.models import ArrivedPack, Lot, Movement, Recall, Receipt
from inventory.orders import Wanted
from inventory.scanned import find
from inventory.scanning import PersonCode, Unreadable, read_scan
from tests.conftest import NOON
from tests.factories import ConsumableFactory, LotFactory, PackagingFactory

TODAY = NOON.date()
SOON = ShortDated(days=90)


def gtin(number):
    body = f"{number:013d}"
    return body + check_digit(body)


def code(item, lot="", expires_on="280630"):
    """A GS1 element string as a scanner sends it: lot last, so that no separator is needed."""
    return f"01{item}" + (f"17{expires_on}" if expires_on else "") + (f"10{lot}" if lot else "")


TUBE, MASK = gtin(40_111), gtin(40_222)


@pytest.fixture
def tube_pack(tube):
    return PackagingFactory(consumable=tube, barcode=TUBE, pieces_per_pack=10)


@pytest.fixture
def mask(department):
    mask = ConsumableFactory(code="MASK", name="Face mask")
    PackagingFactory(consumable=mask, barcode=MASK, pieces_per_pack=5)
    return mask


@pytest.fixture
def order(storeroom, tube, tube_pack, supervisor):
    """Three packs of ten tubes, placed two days ago."""
    made = orders.start_order(storeroom=storeroom, number="R-1", lines=[Wanted(tube, 3, 10)], by=supervisor, at=NOON)
    return orders.place_order(order=made, by=supervisor, at=NOON - timedelta(days=2))


@pytest.fixture
def scan(storeroom, technician):
    """`scan(text, order)`: one scan at the door, with a key of its own unless one is given."""
    numbers = iter(range(10_000))

    def keep(text, order=None, key=None):
        read = read_scan(text, today=TODAY)
        found = find(storeroom.department, read) if read.names_something else None
        return arrivals.keep_scan(
            read, found, storeroom=storeroom, order=order, by=technician, at=NOON,
            key=key or f"scan {next(numbers)}",
        )  # fmt: skip

    return keep


@pytest.fixture
def listed(storeroom):
    return lambda order=None: arrivals.arrivals(storeroom, order, today=TODAY, short_dated=SOON)


@pytest.fixture
def click(storeroom, technician):
    return lambda order=None: receiving.receive_all(
        storeroom=storeroom, order=order, by=technician, at=NOON, today=TODAY, short_dated=SOON
    )


def test_twenty_scans_and_one_click_are_twenty_packs_on_the_shelf(scan, click, storeroom, tube, mask, tube_pack):
    for _ in range(12):
        scan(code(TUBE, "A1"))
    for lot in "BCDEFGHI":
        scan(code(MASK, lot))
    assert storeroom.on_hand(tube) == 0  # a scan moves nothing

    done = click()

    assert (done.packs, done.pieces, done.left) == (20, 160, ())
    assert (storeroom.on_hand(tube), storeroom.on_hand(mask)) == (120, 40)
    assert Receipt.objects.count() == 9  # one for each line and lot


def test_each_lot_is_received_with_its_last_day(scan, click, tube, tube_pack):
    scan(code(TUBE, "A1"))
    click()

    lot = Lot.objects.get(consumable=tube)
    assert (lot.number, str(lot.expires_on)) == ("A1", "2028-06-30")


def test_a_scan_sent_twice_is_one_pack(scan, click, storeroom, tube, tube_pack):
    scan(code(TUBE, "A1"), key="same")
    scan(code(TUBE, "A1"), key="same")
    click()

    assert storeroom.on_hand(tube) == 10


def test_the_click_pressed_twice_receives_once(scan, click, storeroom, tube, tube_pack):
    scan(code(TUBE, "A1"))
    click()

    assert click().receipts == ()
    assert storeroom.on_hand(tube) == 10


def test_a_part_of_the_order_leaves_the_rest_open(order, scan, click):
    scan(code(TUBE, "A1"), order)
    click(order)

    [standing] = orders.standings(order.lines.all())
    assert (standing.received, standing.open) == (10, 20)


def test_more_than_ordered_is_received_and_says_so(order, scan, listed, click):
    for _ in range(4):
        scan(code(TUBE, "A1"), order)
    assert listed(order)[0].over == 10
    click(order)

    assert Receipt.objects.get().remark == Receipt.Remark.MORE
    assert orders.standings(order.lines.all())[0].over == 10


def test_two_lots_share_what_the_order_still_waits_for(order, scan, listed):
    for lot in ("A1", "A1", "B2", "B2"):
        scan(code(TUBE, lot), order)

    assert [one.over for one in listed(order)] == [0, 10]


def test_what_was_not_ordered_waits_until_somebody_says(order, scan, listed, click, storeroom, mask):
    scan(code(MASK, "M1"), order)
    assert click(order).receipts == ()
    [waiting] = listed(order)
    assert waiting.against == Against.NOT_ORDERED

    arrivals.want(waiting.packs)
    click(order)

    receipt = Receipt.objects.get()
    assert (receipt.remark, receipt.order, receipt.order_line) == (Receipt.Remark.NOT_ORDERED, order, None)
    assert storeroom.on_hand(mask) == 5


def test_what_is_put_aside_is_no_stock_and_can_be_brought_back(order, scan, listed, click, storeroom, mask):
    pack = scan(code(MASK, "M1"), order)
    arrivals.put_aside([pack])
    assert listed(order) == []
    arrivals.bring_back([pack])

    assert [one.consumable for one in listed(order)] == [mask]
    assert storeroom.on_hand(mask) == 0


def test_short_dated_packs_come_in_with_a_remark(scan, click, listed, tube_pack):
    scan(code(TUBE, "A1", "260501"))  # 58 days left
    assert listed()[0].short_dated
    click()

    assert Receipt.objects.get().remark == Receipt.Remark.SHORT_DATED


def test_short_dated_packs_beyond_the_order_keep_both_remarks(order, scan, click):
    for _ in range(4):
        scan(code(TUBE, "A1", "260501"), order)
    click(order)

    assert Receipt.objects.get().get_remark_display() == "short-dated on arrival, more than ordered"


def test_short_dated_may_be_a_share_of_the_shelf_life():
    five_years = ConsumableFactory.build(shelf_life_months=60)
    share = ShortDated(days=90, share=0.5)

    assert share.fits(five_years, TODAY + timedelta(days=900), today=TODAY)
    assert not share.fits(five_years, TODAY + timedelta(days=920), today=TODAY)  # half of five years is 913 days
    assert not share.fits(five_years, None, today=TODAY)


@pytest.mark.parametrize(
    ("expires_on", "against"), [("260303", Against.EXPIRED), ("260304", "")], ids=["yesterday", "today"]
)
def test_a_pack_out_of_date_stays_off_the_shelf(scan, click, listed, storeroom, tube, tube_pack, expires_on, against):
    scan(code(TUBE, "A1", expires_on))

    assert listed()[0].against == against
    click()
    assert storeroom.on_hand(tube) == (0 if against else 10)


def test_a_held_lot_stays_off_the_shelf(scan, listed, click, storeroom, tube, tube_pack):
    LotFactory(consumable=tube, number="A1", quarantined_at=NOON)
    scan(code(TUBE, "A1"))

    assert listed()[0].against == Against.HELD
    click()
    assert storeroom.on_hand(tube) == 0


@pytest.mark.parametrize("means", [{"all_lots": True}, {"lot_from": "A1", "lot_to": "A9"}], ids=["all", "range"])
@pytest.mark.parametrize("drill", [False, True])
def test_a_recalled_lot_that_is_new_here_stays_off_the_shelf(scan, listed, tube, tube_pack, supervisor, means, drill):
    Recall.objects.create(
        department=tube.department, consumable=tube, notice="FSN 7", opened_at=NOON, opened_by=supervisor, drill=drill,
        **means,
    )  # fmt: skip
    scan(code(TUBE, "A5"))

    assert listed()[0].against == ("" if drill else Against.RECALLED)


def test_an_unknown_pack_is_kept_until_a_supervisor_attaches_it(scan, click, listed, storeroom, tube):
    scan(code(TUBE, "A1"))
    scan(code(TUBE, "A1"))
    assert (click().receipts, listed()[0].against) == ((), Against.UNKNOWN)

    PackagingFactory(consumable=tube, barcode=TUBE, pieces_per_pack=10)

    assert click().pieces == 20
    assert storeroom.on_hand(tube) == 20


def test_a_second_code_adds_lot_and_date_to_the_pack_before(scan, listed, tube):
    """HIBC in two codes: the primary is that of the standard's own example (ANSI/HIBC 2.6, +A99912345), the secondary
    its second part, with a later year, the link character of that primary, and a check character of its own."""
    PackagingFactory(consumable=tube, barcode="+A99912345", pieces_per_pack=1)
    scan("+A999123457")
    body = "+$$52801510X37"
    signs = "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ-. $/+%"
    scan(body + signs[sum(map(signs.index, body)) % 43])

    [one] = listed()
    assert (one.consumable, one.lot_number, str(one.expires_on), one.pack_count) == (tube, "10X3", "2028-01-15", 1)


def test_a_second_code_sent_again_stays_with_its_pack(scan):
    scan(f"01{TUBE}")
    joined = scan("1728063010A1", key="second code")
    assert scan("1728063010A1", key="second code") == joined

    after = scan(f"01{MASK}")
    assert scan("1728063010A1", key="second code") == joined

    after.refresh_from_db()
    assert (after.lot_number, after.expires_on) == ("", None)


def test_lot_and_date_alone_belong_to_no_pack(scan):
    with pytest.raises(Unreadable, match="not the item"):
        scan("1728063010A1")
    assert not ArrivedPack.objects.exists()


def test_a_wristband_in_the_lot_s_own_field_is_refused(storeroom, technician, tube):
    with pytest.raises(PersonCode):
        arrivals.keep_typed(
            consumable=tube, packs=1, pieces_per_pack=1, lot_number="8018412345678901234566", expires_on=None,
            storeroom=storeroom, order=None, by=technician, at=NOON, key="typed",
        )  # fmt: skip


def test_packs_without_a_code_are_typed(storeroom, technician, tube, click):
    arrivals.keep_typed(
        consumable=tube, packs=3, pieces_per_pack=4, lot_number=" A1 ", expires_on=TODAY + timedelta(days=400),
        storeroom=storeroom, order=None, by=technician, at=NOON, key="typed",
    )  # fmt: skip
    click()

    assert storeroom.holdings.get(lot__number="A1").quantity == 12


def test_a_lot_with_two_dates_waits_until_somebody_reads_the_pack(scan, listed, click, tube, tube_pack):
    LotFactory(consumable=tube, number="A1", expires_on=TODAY + timedelta(days=500))
    scan(code(TUBE, "A1"))
    assert listed()[0].against == Against.OTHER_DATE

    arrivals.correct(listed()[0].packs, lot_number="A1", expires_on=TODAY + timedelta(days=500))

    assert len(click().receipts) == 1


def test_a_new_lot_scanned_with_two_dates_waits_for_the_second(scan, listed, tube_pack):
    scan(code(TUBE, "A1", "280630"))
    scan(code(TUBE, "A1", "290630"))

    assert [one.against for one in listed()] == ["", Against.OTHER_DATE]


def test_undo_takes_the_pieces_back_and_the_packs_stand_on_the_list_again(
    order, scan, click, listed, storeroom, tube, technician
):
    for _ in range(2):
        scan(code(TUBE, "A1"), order)
    [receipt] = click(order).receipts

    for _ in range(2):
        receiving.take_back(receipt=receipt, by=technician, at=NOON)

    assert storeroom.on_hand(tube) == 0
    assert orders.standings(order.lines.all())[0].open == 30
    assert listed(order)[0].pack_count == 2
    assert Movement.objects.filter(kind=Movement.Kind.REVERSE).count() == 1
    click(order)
    assert storeroom.on_hand(tube) == 20


def test_the_list_asks_as_few_questions_for_forty_packs_as_for_two(
    order, scan, listed, django_assert_num_queries, mask
):
    scan(code(TUBE, "A1"), order)
    scan(code(gtin(1), "A1"), order)
    with CaptureQueriesContext(connection) as of_two:
        listed(order)
    for number in range(38):
        scan(code([TUBE, MASK, gtin(number)][number % 3], f"L{number}"), order)

    with django_assert_num_queries(len(of_two)):
        assert len(listed(order)) == 40


ACTS = st.lists(st.sampled_from(["tube", "mask", "unknown", "old", "click", "undo"]), min_size=1, max_size=14)


@given(acts=ACTS)
@settings(
    max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow]
)
def test_receipts_always_equal_the_ledger_and_no_pack_is_lost(
    acts, order, scan, click, technician, storeroom, tube, mask
):
    """Whatever is scanned, received and undone: pieces by receipts are those the ledger moved in, the shelf holds
    them, and every known pack in date is on record or on the list."""
    before, kept = _received(), ArrivedPack.objects.count()
    scanned = Counter()
    for act in acts:
        if act == "click":
            click()
        elif act == "undo":
            last = Receipt.objects.filter(movement__reversal__isnull=True).last()
            if last:
                receiving.take_back(receipt=last, by=technician, at=NOON)
        else:
            scanned[act] += 1
            scan({
                "tube": code(TUBE, "A1"), "mask": code(MASK, "M1"), "unknown": code(gtin(77), "U1"),
                "old": code(TUBE, "OLD", "250101"),
            }[act])  # fmt: skip
    click()

    received = _received()
    moved = Counter(
        dict(
            Movement.objects.not_reversed()
            .filter(kind=Movement.Kind.RECEIVE)
            .order_by()
            .values_list("consumable")
            .annotate(Sum("quantity"))
        )
    )
    assert received == moved
    assert (storeroom.on_hand(tube), storeroom.on_hand(mask)) == (received[tube.pk], received[mask.pk])
    assert ArrivedPack.objects.count() == kept + sum(scanned.values())
    assert received[tube.pk] - before[tube.pk] >= 10 * scanned["tube"]
    assert not list(ledger.differences())


def _received():
    standing = Receipt.objects.filter(movement__reversal__isnull=True).order_by()
    return Counter(dict(standing.values_list("movement__consumable").annotate(Sum("movement__quantity"))))
