"""What is saved many lines at once asks the database as often for sixty lines as for one."""

from io import BytesIO
from uuid import uuid4

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from django.utils import timezone
from openpyxl import load_workbook

from inventory import ledger
from inventory.models import Movement
from restock.cases.case_log import Opened, log_case
from restock.models import AdvisedPar, ParAdviceRun, UsageRecord
from restock.stock_life.counting import start_place_count
from tests.factories import CaseFactory, ConsumableFactory, LotFactory, StockingLineFactory, StoreroomFactory


@pytest.fixture
def kept(cart):
    """`kept(60)`: so many new lines of the cart, with a par of five and pieces of a lot and of none."""

    def keep(lines, place=cart):
        kept = [StockingLineFactory(place=place, par=5, consumable=ConsumableFactory()) for _ in range(lines)]
        for line in kept:
            line.lot = LotFactory(consumable=line.consumable)
        return kept

    return keep


@pytest.fixture
def stocked(kept, technician):
    """`stocked(60)`: such lines with two pieces of a lot on record."""

    def stock(lines, **place):
        lines = kept(lines, **place)
        for line in lines:
            ledger.receive(
                place=line.place, consumable=line.consumable, lot=line.lot, quantity=2,
                by=technician, at=timezone.now(), key=f"in {line.pk}",
            )  # fmt: skip
        return lines

    return stock


def posted(client, address, told):
    """How often the database was asked."""
    with CaptureQueriesContext(connection) as captured:
        answer = client.post(address, told)
    assert answer.status_code == 302
    return len(captured)


def of_one_and_of_sixty(post):
    post(1)  # the first request of a session may do more
    return post(1), post(60)


def test_a_log_is_taken_back_in_as_many_queries(signed_in, technician, room, stocked):
    """Each line used a piece of a lot and one that is on no record: two movements."""

    def post(lines):
        case = CaseFactory(room=room, date=timezone.now().date())
        opened = [Opened(line.consumable, 3) for line in stocked(lines)]
        log = log_case(case=case, lines=opened, by=technician, at=timezone.now(), key=str(uuid4()))
        return posted(signed_in, reverse("log-undo", args=[log.pk]), {"key": str(uuid4())})

    of_one, of_sixty = of_one_and_of_sixty(post)

    assert of_sixty == of_one
    assert Movement.objects.filter(kind="reverse").count() == 2 * 62
    assert UsageRecord.objects.filter(used=-3, movement__kind="reverse").count() == 62


def test_a_cart_is_checked_in_as_many_queries(signed_in, cart, stocked):
    cart.sealed = True
    cart.save()

    def post(lines):
        told = {"key": str(uuid4())}
        for line in stocked(lines):
            told |= {f"line{line.pk}-counted": 4, f"line{line.pk}-undated": "on"}
        return posted(signed_in, reverse("seal-check", args=[cart.pk]), told)

    of_one, of_sixty = of_one_and_of_sixty(post)

    assert of_sixty == of_one
    assert cart.counts.count() == cart.date_checks.count() == 62
    # Two pieces of a lot with a date, although no pack has one: they are pieces without a lot from then on.
    assert Movement.objects.filter(reason="its date was not on the packs").count() == 2 * 62


def test_a_count_sheet_comes_back_in_as_many_queries(signed_in, department, stocked, technician):
    """Nine of a lot and nine of none, not two: so far off that each line asks for a second count, and gets it."""

    def post(lines):
        place = StoreroomFactory()
        stocked(lines, place=place)
        began = {"department": department, "by": technician, "at": timezone.now()}
        round = start_place_count(place=place, **began)
        workbook = load_workbook(BytesIO(signed_in.get(reverse("count-sheet", args=[round.pk])).content))
        sheet = workbook.active
        head = next(row for row in sheet.iter_rows() if any(cell.value == "Counted" for cell in row))
        columns = {cell.value: cell.column for cell in head}
        for row in range(head[0].row + 1, sheet.max_row + 1):
            if sheet.cell(row, columns["Code"]).value and sheet.cell(row, columns["Lot"]).value != "another lot":
                sheet.cell(row, columns["Counted"]).value = sheet.cell(row, columns["Counted again"]).value = 9
        saved = BytesIO()
        workbook.save(saved)
        file = SimpleUploadedFile("count.xlsx", saved.getvalue())
        asked = posted(signed_in, reverse("count-sheet-back", args=[round.pk]), {"workbook": file})
        assert round.tasks.filter(count__counted=18, second_counted=18).count() == lines
        return asked

    of_one, of_sixty = of_one_and_of_sixty(post)

    assert of_sixty == of_one


@pytest.fixture
def advised(department, kept):
    """`advised(60)`: proposals for so many lines of par five, to have nine."""

    def advise(lines):
        run = ParAdviceRun.objects.filter(department=department).first() or ParAdviceRun.objects.create(
            department=department,
            made_at=timezone.now(),
            first_day="2026-01-05",
            last_day="2026-01-30",
            days=20,
            lines=1,
        )
        return run, [
            AdvisedPar.objects.create(
                run=run, stocking_line=line, par=5, advised=9, service_level=0.95, p_short_now=0.4,
                p_short_advised=0.04, days_short_now=8, days_short_advised=1, on_hand_now=2.0, on_hand_advised=4.0,
                reason="",
            )
            for line in kept(lines)
        ]  # fmt: skip

    return advise


def test_par_advice_is_answered_and_opened_again_in_as_many_queries(client, supervisor, advised):
    client.force_login(supervisor)

    def post(lines):
        run, pars = advised(lines)
        told = {"run": run.pk, "act": "ticked", "ticked": [one.pk for one in pars]} | {
            f"par-{one.pk}": 9 for one in pars
        }
        answering = posted(client, reverse("answer-pars"), told)
        taken = AdvisedPar.objects.filter(answer="accepted", stocking_line__par=9)
        assert taken.count() == lines
        at = taken.latest("answered_at").answered_at
        return answering, posted(client, reverse("reopen-pars"), {"run": run.pk, "answered_at": at.isoformat()})

    of_one, of_sixty = of_one_and_of_sixty(post)

    assert of_sixty == of_one
