"""The pages on which cases are logged, as the server makes them; what a phone does with them is in tests/browser."""

import re
from datetime import time, timedelta
from uuid import uuid4

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from django.utils import timezone

from inventory import ledger
from inventory.departments import open_department
from restock.cases.case_log import Opened, log_case
from restock.models import Case, CaseLog, UsageRecord
from restock.web.line_search import lines_or_refusal
from tests.conftest import NOON
from tests.factories import (
    CartFactory,
    CaseFactory,
    CaseTypeFactory,
    ConsumableFactory,
    ExtraFactory,
    PackagingFactory,
    RoomFactory,
    SetupStandardFactory,
    SizeClassFactory,
    UserFactory,
)

from .test_pages import words


@pytest.fixture
def phone(client, clinician):
    """A clinician's browser."""
    client.force_login(clinician)
    return client


@pytest.fixture
def case(room, stocked_cart, today):
    return CaseFactory(room=room, date=today, order=1, case_type=CaseTypeFactory(name="Hernia repair"))


@pytest.fixture
def circuit(case, stocked_cart):
    line = ConsumableFactory(name="Circle circuit")
    SetupStandardFactory(case_type=case.case_type, consumable=line)
    return line


def room_page(room):
    return reverse("log-room", args=[room.pk])


def case_page(case):
    return reverse("log-case", args=[case.pk])


def sent(line, used=1, **more):
    return {"key": str(uuid4()), f"used-{line.pk}": used} | more


class TestRoom:
    def test_is_chosen_once_and_remembered_on_the_device(self, phone, case, room):
        assert "Which room?" in phone.get(reverse("log")).text
        phone.get(room_page(room))

        assert "Hernia repair" in phone.get(reverse("log")).text

    def test_opens_the_next_case_that_is_not_logged(self, phone, case, room, today, clinician):
        CaseFactory(room=room, date=today, order=2, case_type=CaseTypeFactory(name="Hysteroscopy"))
        log_case(case=case, lines=[], by=clinician, at=timezone.now(), key="logged")

        said = words(phone.get(room_page(room)))

        assert re.search(r"OR-1 · today · 1 of 2 logged .* Hysteroscopy .*Case 2", said)

    def test_without_a_list_says_so(self, phone, room):
        assert "No list for this room today" in phone.get(room_page(room)).text

    def test_keeps_yesterday_s_cases_that_nobody_logged_within_reach(self, phone, room, today):
        CaseFactory(room=room, date=today - timedelta(days=1), case_type=CaseTypeFactory(name="Night laparotomy"))

        said = words(phone.get(room_page(room)))

        assert "1 case of yesterday is not logged" in said
        assert "Night laparotomy" in said


class TestCase:
    def test_stands_as_set_up(self, phone, case, circuit):
        page = phone.get(case_page(case)).text

        assert re.search(rf'name="used-{circuit.pk}" value="1"', page)
        assert "Log as set up" in page

    def test_post_logs_it_and_opens_the_room_again(self, phone, case, circuit, room):
        answer = phone.post(case_page(case), sent(circuit, 2), follow=True)

        assert "Case 1 logged: 2 pieces." in words(answer)
        assert answer.request["PATH_INFO"] == room_page(room)
        assert UsageRecord.objects.get(case=case).used == 2

    def test_second_log_is_refused_in_words_and_can_be_added(self, phone, case, circuit):
        phone.post(case_page(case), sent(circuit))
        assert "already logged" in words(phone.post(case_page(case), sent(circuit), follow=True))

        phone.post(case_page(case), sent(circuit, in_addition="1"))

        assert UsageRecord.objects.filter(case=case).count() == 2

    @pytest.mark.parametrize("value", ["-1", "1.5", "many", "1000"])
    def test_what_is_no_number_of_pieces_is_refused(self, phone, case, circuit, value):
        said = words(phone.post(case_page(case), sent(circuit, value), follow=True))

        assert "Pieces are whole numbers from 0 to 999." in said
        assert not CaseLog.objects.exists()

    def test_entry_that_waited_is_dated_by_how_long_it_waited(self, phone, case, circuit):
        phone.post(case_page(case), sent(circuit, waited_seconds="3600"))

        waited = CaseLog.objects.get().recorded_at - CaseLog.objects.get().at
        assert timedelta(minutes=59) < waited < timedelta(minutes=61)

    def test_device_gets_an_answer_that_it_can_read(self, phone, case, circuit, room):
        entry = sent(circuit)
        for _ in range(2):
            answer = phone.post(case_page(case), entry, headers={"Accept": "application/json"})
            assert answer.json()["next"] == room_page(room)
        assert CaseLog.objects.count() == 1

        answer = phone.post(case_page(case), sent(circuit), headers={"Accept": "application/json"})
        assert answer.status_code == 409
        assert "already logged" in answer.json()["said"]

    def test_late_entry_says_so(self, phone, case, circuit, today):
        case.starts_at, case.date = time(8), today - timedelta(days=1)
        case.save()

        assert "Late: its slot ended" in words(phone.get(case_page(case)))

    def test_own_totals_are_of_nobody_else(self, phone, case, circuit, clinician):
        other = UserFactory(groups=["clinician"])
        more = CaseFactory(room=case.room, date=case.date, order=2, case_type=case.case_type)
        log_case(case=more, lines=[Opened(circuit, 7)], by=other, at=timezone.now(), key="of another")
        log_case(case=case, lines=[Opened(circuit, 2, 1)], by=clinician, at=timezone.now(), key="own")

        said = words(phone.get(case_page(case)))

        assert "Your own log today: 1 case, 3 pieces opened, 1 of them not used." in said
        assert other.username not in said

    def test_only_one_s_own_entry_offers_to_be_taken_back(self, phone, case, circuit):
        log_case(case=case, lines=[], by=UserFactory(groups=["clinician"]), at=timezone.now(), key="of another")

        page = phone.get(case_page(case)).text
        assert "Take it back" not in page
        log = CaseLog.objects.get()
        said = words(phone.post(reverse("log-undo", args=[log.pk]), {"key": str(uuid4())}, follow=True))
        assert "Only who logged it can take it back" in said

    def test_of_another_department_does_not_exist(self, client, case):
        other = open_department(code="other", name="Another department")
        client.force_login(UserFactory(groups=["clinician"], membership__department=other))

        assert client.get(case_page(case)).status_code == 404
        assert client.post(case_page(case), {"key": str(uuid4())}).status_code == 404

    def test_asks_the_database_as_often_for_sixty_lines_as_for_one(self, phone, case, circuit):
        def queries():
            with CaptureQueriesContext(connection) as captured:
                assert phone.get(case_page(case)).status_code == 200
            return [query["sql"] for query in captured.captured_queries]

        of_one = queries()
        for _ in range(59):
            SetupStandardFactory(case_type=case.case_type)

        of_sixty = queries()
        assert len(of_sixty) == len(of_one), "\n".join(of_sixty)
        assert not [sql for sql in of_sixty if sql.lstrip().upper().startswith(("INSERT", "UPDATE", "DELETE"))]


def test_added_case_stands_behind_the_list(phone, case, room):
    told = {"key": str(uuid4()), "case_type": case.case_type.pk, "size_class": SizeClassFactory().pk}
    for _ in range(2):
        answer = phone.post(reverse("log-add-case", args=[room.pk]), told, follow=True)

    assert "added on the day" in words(answer)
    assert Case.objects.filter(room=room, added_on_the_day=True).count() == 1


def test_case_that_was_added_with_a_booked_extra_is_set_up_for_it(phone, case, room):
    arterial, line = ExtraFactory(name="Arterial line"), ConsumableFactory(name="Arterial set")
    SetupStandardFactory(case_type=None, extra=arterial, consumable=line)
    assert "Arterial line" in phone.get(reverse("log-add-case", args=[room.pk])).text
    told = {"key": str(uuid4()), "case_type": case.case_type.pk, "size_class": SizeClassFactory().pk}

    answer = phone.post(reverse("log-add-case", args=[room.pk]), told | {"extras": [arterial.pk]}, follow=True)

    assert list(Case.objects.get(added_on_the_day=True).extras.all()) == [arterial]
    assert f'name="used-{line.pk}" value="1"' in answer.text


class TestNeed:
    def test_names_who_holds_the_nearest_one_and_how_old_its_count_is(self, phone, case, circuit, room, technician):
        near = CartFactory(name="Cart next door", room=RoomFactory(walk_order=2))
        an_hour_ago = timezone.now() - timedelta(hours=1)
        ledger.count(place=near, consumable=circuit, counted=3, by=technician, at=an_hour_ago, key="k")

        said = words(phone.get(reverse("log-need", args=[room.pk])))

        assert "Circle circuit None recorded in this room Cart next door : 3 counted 1 h ago Took 1" in said

    def test_storeroom_that_has_none_is_refused_in_words(self, phone, case, circuit, room, storeroom):
        told = {"key": str(uuid4()), "consumable": circuit.pk, "source": storeroom.pk, "quantity": 1}
        said = words(phone.post(reverse("log-borrow", args=[room.pk]), told, follow=True))

        assert "Main storeroom holds 0" in said


class TestLineSearch:
    @pytest.mark.parametrize("typed", ["6141410001", "00614141000012", "614141000012", "]d2010061414100001217271231"])
    def test_barcode_is_found_however_it_is_scanned(self, department, typed):
        line = ConsumableFactory(code="6141410001")
        PackagingFactory(consumable=line, barcode="00614141000012")

        assert lines_or_refusal(department, typed, today=NOON.date())[0] == [line]

    def test_words_are_found_in_any_order(self, department):
        mask, _ = (
            ConsumableFactory(name="Oxygen mask", size="child"),
            ConsumableFactory(name="Oxygen mask", size="adult"),
        )

        assert lines_or_refusal(department, "child oxygen", today=NOON.date())[0] == [mask]


class TestLanding:
    @pytest.mark.parametrize(
        ("groups", "page"),
        [(["clinician"], "log"), (["technician"], "round"), (["clinician", "supervisor"], "tonight")],
    )
    def test_is_the_page_of_the_role(self, client, department, groups, page):
        client.force_login(UserFactory(groups=groups))

        assert client.get(reverse("home")).url == reverse(page)


class TestDevice:
    def test_worker_keeps_only_files_that_exist(self, client, db):
        answer = client.get(reverse("service-worker"))

        assert answer["Content-Type"].startswith("text/javascript")
        for name in re.findall(r"/static/([\w.-]+)", answer.text):
            from django.contrib.staticfiles import finders

            assert finders.find(name), name

    def test_token_belongs_to_who_is_signed_in(self, phone, clinician, department):
        assert phone.get(reverse("log-token")).json()["user"] == clinician.pk

    def test_nothing_but_lines_of_the_catalogue_is_kept(self, phone, circuit):
        rows = phone.get(reverse("log-lines")).json()["lines"]

        told = {"id": circuit.pk, "code": circuit.code, "label": "Circle circuit", "section": "Airway", "barcodes": []}
        assert told | {"run": None, "size": circuit.size, "position": None} in rows

    def test_set_ups_are_by_case_type_and_size_class(self, phone, circuit, case):
        told = phone.get(reverse("log-set-ups")).json()["set_ups"]

        assert told[str(case.case_type_id)][str(case.size_class_id)] == [[circuit.pk, 1]]


class TestAddedOnADevice:
    """A case that a phone added without network is known to it by the phone's own key, and logged by that."""

    def add(self, phone, case, key, **more):
        told = {"key": key, "case_type": case.case_type.pk, "size_class": case.size_class.pk} | more
        address = reverse("log-add-case", args=[case.room.pk])
        return phone.post(address, told, headers={"Accept": "application/json"})

    def log(self, phone, key, entry):
        return phone.post(reverse("log-added-case", args=[key]), entry, headers={"Accept": "application/json"})

    def test_is_logged_by_its_key_however_often_it_is_sent(self, phone, case, circuit):
        key, entry = str(uuid4()), sent(circuit, 2)
        for _ in range(2):
            assert self.add(phone, case, key).status_code == 200
            assert self.log(phone, key, entry).status_code == 200

        added = Case.objects.get(added_on_the_day=True)
        assert (added.usage.get().used, CaseLog.objects.count()) == (2, 1)
        assert phone.get(reverse("log-added-case", args=[key])).url == case_page(added)

    def test_log_that_comes_before_its_case_is_refused_in_words(self, phone, case, circuit):
        answer = self.log(phone, str(uuid4()), sent(circuit))

        assert answer.status_code == 409
        assert "was not added" in answer.json()["said"]

    def test_is_of_the_day_on_which_it_was_entered(self, phone, case, today):
        self.add(phone, case, str(uuid4()), waited_seconds=24 * 3600)

        assert Case.objects.get(added_on_the_day=True).date == today - timedelta(days=1)

    def test_of_a_kind_that_is_not_known_any_more_is_refused_in_words(self, phone, case):
        answer = self.add(phone, case, str(uuid4()), case_type=0)

        assert answer.status_code == 409
        assert "Not added" in answer.json()["said"]

    def test_of_another_department_does_not_exist(self, client, phone, case, circuit):
        key = str(uuid4())
        self.add(phone, case, key)
        other = open_department(code="other", name="Another department")
        client.force_login(UserFactory(groups=["clinician"], membership__department=other))

        assert self.log(client, key, sent(circuit)).status_code == 409
        assert not CaseLog.objects.exists()
