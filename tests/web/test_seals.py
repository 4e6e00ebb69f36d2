"""Carts under a seal on the pages: the daily round, the full check, the seal book, guidance; on paper too."""

from datetime import date, timedelta
from io import BytesIO

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.urls import reverse
from django.utils import timezone
from openpyxl import load_workbook

from inventory import ledger, seals
from inventory.models import Place, SealEvent
from tests.factories import BinFactory, CartFactory, ConsumableFactory, StockingLineFactory

from .test_pages import words
from .test_query_counts import queries


@pytest.fixture
def sealed(department):
    return CartFactory(name="Airway cart", room=None, sealed=True)


@pytest.fixture
def lines(sealed, tube):
    """A tube, and a drug that is the pharmacy's: (tube's line, drug's line)."""
    drug = ConsumableFactory(name="Dantrolene vial", size="20 mg", owner="pharmacy")
    drawer = BinFactory(place=sealed, code="D1")
    return tuple(StockingLineFactory(place=sealed, consumable=line, bin=drawer) for line in (tube, drug))


@pytest.fixture
def day(today):
    return today + timedelta(days=90)


def to(name, sealed, *more):
    return reverse(name, args=[sealed.pk, *more])


def checked(client, sealed, lines, day, key="form-key-1", **other):
    tube, drug = (f"line{line.pk}" for line in lines)
    form = {
        "key": key,
        f"{tube}-counted": 4,
        f"{tube}-earliest": day,
        f"{drug}-present": "yes",
        f"{drug}-undated": "on",
    }
    return client.post(to("seal-check", sealed), form | other)


def closed(client, sealed, day, number="4711", key="form-key-2"):
    form = {"key": key, "seal_on": number, "earliest_expires_on": day}
    return client.post(to("seal-close", sealed), form, follow=True)


def test_opened_cart_is_checked_line_by_line_and_closed_by_the_same_person(signed_in, sealed, lines, day, technician):
    assert "it asks for a full check" in words(signed_in.get(to("seal-cart", sealed)))
    checked(signed_in, sealed, lines, day)
    assert "2 of 2 lines checked since. 2 of them by you." in words(signed_in.get(to("seal-cart", sealed)))

    said = words(closed(signed_in, sealed, day))

    assert "Under seal 4711" in said
    assert "ready" not in said.lower()
    assert seals.standing_of(sealed).closing.by == technician


def test_cart_is_not_closed_while_a_line_is_unchecked(signed_in, sealed, lines, day):
    tube = f"line{lines[0].pk}"
    signed_in.post(to("seal-check", sealed), {"key": "form-key-1", f"{tube}-counted": 4, f"{tube}-earliest": day})

    page = closed(signed_in, sealed, day)

    assert page.status_code == 400
    assert "1 line is not checked by you since it was opened: Dantrolene vial, 20 mg." in words(page)
    assert not SealEvent.objects.exists()


@pytest.mark.parametrize(
    ("told", "said"),
    [
        ({"counted": "4"}, "Read the earliest date, or say that none is printed."),
        ({"earliest": "2030-01-01"}, "Say what you saw"),
        ({"counted": "0", "earliest": "2030-01-01"}, "None is there, so there is no date to read."),
        ({"counted": "4", "earliest": "2030-01-01", "undated": "on"}, "There is a date beside it"),
    ],
)
def test_half_a_check_is_refused_at_its_field_and_keeps_what_was_typed(signed_in, sealed, lines, told, said):
    form = {f"line{lines[0].pk}-{name}": value for name, value in told.items()}

    page = signed_in.post(to("seal-check", sealed), {"key": "form-key-1", **form})

    assert said in words(page)
    assert page.status_code == 400
    assert not sealed.date_checks.exists()
    assert all(f'value="{value}"' in page.text for name, value in told.items() if name != "undated")


def test_one_tap_says_intact_and_in_date(signed_in, sealed, lines, day, technician):
    checked(signed_in, sealed, lines, day)
    closed(signed_in, sealed, day)
    said = words(signed_in.get(reverse("seals")))
    assert "closed today" in said

    signed_in.post(to("seal-seen", sealed), {"key": "form-key-3"})

    assert "seen intact and in date at" in words(signed_in.get(reverse("seals")))
    assert sealed.seal_events.filter(kind="intact", by=technician).count() == 1


def test_clinician_opens_a_cart_and_does_not_check_it(client, clinician, signed_in, sealed, lines, day):
    checked(signed_in, sealed, lines, day)
    closed(signed_in, sealed, day)
    client.force_login(clinician)

    client.post(to("seal-open", sealed), {"key": "form-key-4", "seal_off": "4711", "note": "bougie wanted"})

    assert not seals.standing_of(sealed).is_closed
    assert "bougie wanted" in client.get(to("seal-cart", sealed)).text
    assert checked(client, sealed, lines, day).status_code == 403


def test_passed_date_offers_no_tap_and_says_to_open(signed_in, sealed, technician, today):
    SealEvent.objects.create(
        place=sealed, kind="closed", seal_on="1", earliest_expires_on=today - timedelta(days=1), by=technician,
        at=timezone.now() - timedelta(days=30), key="old",
    )  # fmt: skip

    page = signed_in.get(reverse("seals"))

    assert "The date on its outside has passed" in words(page)
    assert "Intact and in date" not in page.text


def test_check_goes_out_as_a_workbook_and_comes_back(signed_in, sealed, lines, day, technician):
    book = load_workbook(BytesIO(signed_in.get(to("seal-sheet", sealed)).content))
    sheet = book.worksheets[0]
    head = next(row[0].row for row in sheet.iter_rows() if row[0].value == "Drawer")
    columns = {cell.value: cell.column for cell in sheet[head]}
    for row in (head + 1, head + 2):
        drug = "Dantrolene" in sheet.cell(row, columns["Line"]).value
        sheet.cell(row, columns["There" if drug else "Counted"]).value = "yes" if drug else 4
        sheet.cell(row, columns["Earliest date"]).value = day
    data = BytesIO()
    book.save(data)

    said = signed_in.post(
        to("seal-sheet-back", sealed), {"workbook": SimpleUploadedFile("c.xlsx", data.getvalue())}, follow=True
    )

    assert "2 lines checked by you." in words(said)
    assert all(check.by == technician for check in seals.line_checks(sealed))


@pytest.mark.parametrize(
    ("told", "said"),
    [
        ({"Counted": 0, "Earliest date": date(2030, 1, 1)}, "found a date where none is there; expected nothing"),
        ({"Counted": 4, "Earliest date": date(2030, 1, 1), "No date": "yes"}, "found yes beside a date"),
    ],
)
def test_sheet_refuses_what_the_page_refuses(signed_in, sealed, lines, told, said):
    book = load_workbook(BytesIO(signed_in.get(to("seal-sheet", sealed)).content))
    sheet = book.worksheets[0]
    head = next(row[0].row for row in sheet.iter_rows() if row[0].value == "Drawer")
    columns = {cell.value: cell.column for cell in sheet[head]}
    tube = next(row for row in (head + 1, head + 2) if "Dantrolene" not in sheet.cell(row, columns["Line"]).value)
    for name, value in told.items():
        sheet.cell(tube, columns[name]).value = value
    data = BytesIO()
    book.save(data)

    page = signed_in.post(to("seal-sheet-back", sealed), {"workbook": SimpleUploadedFile("c.xlsx", data.getvalue())})

    assert said in words(page)
    assert not sealed.date_checks.exists()


def test_supervisor_keeps_a_cart_under_a_seal_and_open_again(client, supervisor, cart):
    client.force_login(supervisor)
    client.post(reverse("keep-sealed"), {"place": cart.pk})
    assert Place.objects.get(pk=cart.pk).sealed

    client.post(to("keep-open", cart))

    assert not Place.objects.get(pk=cart.pk).sealed


def test_content_is_held_against_guidance_by_the_lines_that_were_chosen(client, supervisor, sealed, lines, technician):
    client.force_login(supervisor)
    address = to("choose-guidance", sealed, "malignant-hyperthermia")
    client.post(address, {"mh-dantrolene-20": lines[1].consumable_id, "mh-charcoal": lines[0].consumable_id})
    ledger.receive(
        place=sealed, consumable=lines[0].consumable, quantity=1, by=technician, at=timezone.now(), key="one"
    )

    said = words(client.get(to("cart-guidance", sealed)))

    assert "Dantrolene, vials of 20 mg drugs 36 vials" in said
    assert "Dantrolene vial, 20 mg: not there not on record" in said
    assert "Activated charcoal filters equipment two pairs Tracheal tube, cuffed, 7.0 mm: 1 fewer than asked" in said
    assert "Sodium bicarbonate 8.4% drugs 5 of 50 mL no line chosen" in said
    client.post(address, {"act": "leave"})
    assert "held against no guidance yet" in words(client.get(to("cart-guidance", sealed)))


@pytest.mark.parametrize("page", ["seals", "seal-cart", "cart-guidance"])
def test_sixty_carts_and_lines_take_no_more_queries_than_one(client, supervisor, sealed, lines, technician, page):
    client.force_login(supervisor)
    address = reverse(page) if page == "seals" else to(page, sealed)
    client.post(
        to("choose-guidance", sealed, "difficult-airway"), {"da-c-oral": [line.consumable_id for line in lines]}
    )
    queries(client, address)
    of_one = queries(client, address)
    for number in range(59):
        StockingLineFactory(place=sealed)
        other = CartFactory(room=None, sealed=True)
        for cart in (sealed, other):
            seals.open_cart(place=cart, by=technician, at=timezone.now(), key=f"open {cart.pk} {number}")

    assert len(queries(client, address)) == len(of_one)
