"""Set-up without the admin site."""

import pytest
from django.db import DatabaseError, transaction
from django.urls import reverse
from django.utils import timezone

from inventory import ledger
from inventory.departments import open_department
from inventory.models import Consumable, Room, StockingLine
from restock.models import ParChange, Policy, SetupChange
from restock.setting_up.par_changes import ParRefused
from restock.setting_up.par_sheets import add_to_par_sheet
from restock.web.forms.orders import OrderPolicyForm
from restock.web.forms.setup import NewParRowForm, form_for
from restock.web.setup_pages import PAGES
from tests.conftest import NOON
from tests.factories import (
    BinFactory,
    CartFactory,
    CaseFactory,
    CaseTypeFactory,
    ConsumableFactory,
    ExtraFactory,
    PackagingFactory,
    RoomFactory,
    SetupStandardFactory,
    SizeClassFactory,
    SizeRunFactory,
    StockingLineFactory,
    UserFactory,
)

from .test_pages import words
from .test_query_counts import queries


@pytest.fixture
def desk(client, department, supervisor):
    client.force_login(supervisor)
    return client


def one_of_each():
    line = ConsumableFactory()
    PackagingFactory(consumable=line, barcode=f"A{line.pk}")
    SizeRunFactory()
    cart = CartFactory()
    BinFactory(place=cart)
    StockingLineFactory(place=cart, consumable=line)
    SetupStandardFactory(case_type=CaseTypeFactory(), consumable=line)
    ExtraFactory(code=f"extra-{line.pk}")
    SizeClassFactory(code=f"class-{line.pk}")


@pytest.mark.parametrize("slug", [slug for slug, page in PAGES.items() if not page.single])
def test_list_takes_as_many_queries_for_sixty_rows_as_for_one(desk, slug):
    address = reverse("setup-list", args=[slug])
    one_of_each()
    queries(desk, address)
    of_one = queries(desk, address)
    for _ in range(59):
        one_of_each()

    assert len(queries(desk, address)) == len(of_one)


def test_row_is_added_with_the_department_of_the_page(desk, department):
    desk.post(
        reverse("setup-row", args=["rooms", 0]), {"code": "OR-9", "name": "Nine", "kind": "operating", "walk_order": 9}
    )

    assert Room.objects.get(code="OR-9").department == department


def test_code_that_is_taken_says_so_at_its_field_and_keeps_what_was_typed(desk, room):
    told = {"code": room.code, "name": "Twin", "kind": "operating", "walk_order": 1}
    answer = desk.post(reverse("setup-row", args=["rooms", 0]), told)

    assert answer.status_code == 400
    assert "choose another" in str(answer.context["form"].errors["code"])
    assert 'value="Twin"' in answer.text


@pytest.mark.parametrize(
    ("told", "field"),
    [
        ({"probability": "70"}, "probability"),
        ({"quantity": "0"}, "quantity"),
        ({"consumable": ""}, "consumable"),
        ({"case_type": ""}, "case_type"),
    ],
)
def test_broken_rule_of_a_set_up_standard_stands_at_its_field(desk, told, field):
    row = SetupStandardFactory()
    good = {
        "case_type": row.case_type_id, "consumable": row.consumable_id, "probability": 1, "quantity": 1,
        "basis": "per_case",
    }  # fmt: skip
    address = reverse("setup-row", args=["setups", row.pk])
    assert desk.post(address, good).status_code == 302

    assert field in desk.post(address, good | told).context["form"].errors


def as_it_stands(form):
    """What a browser sends back of a form that nobody touched."""
    return {name: "" if (value := form[name].value()) is None else value for name in form.fields}


def test_share_written_in_per_cent_is_mended_in_words(desk, department):
    Policy.objects.get_or_create(department=department)
    form = desk.get(reverse("setup-row", args=["policy", 0])).context["form"]
    told = as_it_stands(form) | {"service_routine": "95"}

    answer = desk.post(reverse("setup-row", args=["policy", 0]), told)

    assert "0.95, not 95" in str(answer.context["form"].errors["service_routine"])
    assert "who intubates chooses the tube" in words(answer)


def test_policy_is_made_where_there_is_none_and_stays_one(desk, department):
    address = reverse("setup-row", args=["policy", 0])
    for level in ("0.9", "0.97"):
        form = desk.get(address).context["form"]
        desk.post(address, as_it_stands(form) | {"service_routine": level})

    assert Policy.objects.get(department=department).service_routine == 0.97


def test_rows_and_choices_of_another_department_do_not_exist(client, department):
    other = open_department(code="other", name="Other")
    theirs = RoomFactory(department=other, code="THEIRS")
    client.force_login(UserFactory(groups=["supervisor"]))

    assert client.get(reverse("setup-row", args=["rooms", theirs.pk])).status_code == 404
    assert client.post(reverse("setup-remove", args=["rooms", theirs.pk])).status_code == 404
    assert "THEIRS" not in client.get(reverse("setup-row", args=["carts", 0])).text


def test_row_on_which_others_stand_stays_and_says_what_they_are(desk):
    case = CaseFactory()
    answer = desk.post(reverse("setup-remove", args=["case-types", case.case_type_id]), follow=True)
    assert "stays: there are cases" in words(answer)

    alone = CaseTypeFactory()
    desk.post(reverse("setup-remove", args=["case-types", alone.pk]))
    assert not type(alone).objects.filter(pk=alone.pk).exists()


class TestParSheet:
    @pytest.fixture
    def lines(self, cart):
        bin = BinFactory(place=cart)
        return [StockingLineFactory(place=cart, par=5, floor=1, capacity=9, bin=bin) for _ in range(2)]

    @pytest.fixture
    def send(self, desk, cart):
        def post(reason="Busier list", meanwhile=lambda: None, **changed):
            """`send(**{"0-par": 7})`: the sheet as it came, with these fields changed."""
            address = reverse("par-sheet", args=[cart.pk])
            sheet = desk.get(address).context["sheet"]
            told = {f"form-{key}": value for key, value in sheet.management_form.initial.items()}
            for form in sheet:
                told[f"{form.prefix}-id"] = form.instance.pk
                for name in ("par", "floor", "capacity", "bin"):
                    value = "" if form[name].value() is None else form[name].value()
                    told |= {f"{form.prefix}-{name}": value, f"initial-{form.prefix}-{name}": value}
            meanwhile()
            told |= {f"form-{key}": value for key, value in changed.items()} | {"reason": reason}
            return desk.post(address, told)

        return post

    def test_par_that_the_bin_does_not_hold_any_more_is_refused_in_words(self, send, lines):
        said = send(meanwhile=lambda: StockingLine.objects.update(capacity=6), **{"0-par": "7"})

        assert said.status_code == 400
        assert "the bin holds 6. Choose at most that" in words(said)
        assert not ParChange.objects.exists()

    def test_line_that_somebody_put_on_the_sheet_meanwhile_is_refused(self, lines, cart, supervisor):
        line = StockingLine(place=cart, consumable=lines[0].consumable, par=1)

        with pytest.raises(ParRefused, match="already keeps this line"):
            add_to_par_sheet(line, reason="New", by=supervisor, at=timezone.now())

    def test_changed_par_is_kept_with_who_and_why(self, send, lines, supervisor):
        send(**{"0-par": "7", "1-floor": "2"})

        change = ParChange.objects.get()
        assert (change.par_before, change.par_after, change.by, change.reason) == (5, 7, supervisor, "Busier list")
        assert change.origin == ParChange.Origin.BY_HAND
        assert sorted(StockingLine.objects.values_list("par", "floor")) == [(5, 2), (7, 1)]

    def test_sheet_of_a_storeroom_is_saved_in_one_go(self, send, cart):
        # Nine fields a row: Django's own limit of a thousand fields ends at 111 rows.
        lines = Consumable.objects.bulk_create(ConsumableFactory.build_batch(120, department=cart.department))
        StockingLine.objects.bulk_create(StockingLine(place=cart, consumable=line, par=5) for line in lines)

        assert send(**{"119-par": "6"}).status_code == 302

    def test_one_faulty_row_keeps_every_row_from_being_saved(self, send, lines):
        answer = send(**{"0-par": "7", "1-par": "10"})

        assert answer.status_code == 400
        assert "more than the bin can hold" in str(answer.context["sheet"].forms[1].errors["par"])
        assert set(StockingLine.objects.values_list("par", flat=True)) == {5}
        assert not ParChange.objects.exists()

    def test_figure_that_a_key_held_down_makes_is_refused(self, send, lines):
        answer = send(**{"0-capacity": "100000"})

        assert answer.status_code == 400
        assert "99999" in str(answer.context["sheet"].forms[0].errors["capacity"])

    def test_par_does_not_change_without_a_reason(self, send, lines):
        answer = send(reason="", **{"0-par": "7"})

        assert "Say why" in words(answer)
        assert set(StockingLine.objects.values_list("par", flat=True)) == {5}

    def test_field_that_a_colleague_changed_meanwhile_is_left_alone(self, send, lines):
        def colleague():
            StockingLine.objects.update(par=8)

        send(meanwhile=colleague, **{"0-floor": "3"})

        assert sorted(StockingLine.objects.values_list("par", "floor")) == [(8, 1), (8, 3)]

    def test_line_with_pieces_on_record_stays_on_the_sheet(self, send, lines, cart, supervisor):
        ledger.count(place=cart, consumable=lines[0].consumable, counted=3, by=supervisor, at=NOON, key="c")
        position = next(
            str(n) for n, line in enumerate(sorted(lines, key=lambda one: one.consumable.name)) if line == lines[0]
        )

        assert "3 on record here" in words(send(**{f"{position}-off": "on"}))
        assert StockingLine.objects.count() == 2

    def test_line_is_added_and_noted(self, desk, cart, tube):
        desk.post(reverse("add-par-row", args=[cart.pk]), {"consumable": tube.pk, "par": 4, "floor": 0})

        assert StockingLine.objects.get().par == 4
        assert ParChange.objects.get().par_before == 0

    def test_sheet_takes_as_many_queries_for_sixty_lines_as_for_one(self, desk, cart):
        address = reverse("par-sheet", args=[cart.pk])
        StockingLineFactory(place=cart, bin=BinFactory(place=cart))
        queries(desk, address)
        of_one = queries(desk, address)
        for _ in range(59):
            StockingLineFactory(place=cart, bin=BinFactory(place=cart))

        assert len(queries(desk, address)) == len(of_one)


class TestHistory:
    def save(self, desk, room, **changes):
        told = {"code": room.code, "name": room.name, "kind": room.kind, "walk_order": room.walk_order} | changes
        return desk.post(reverse("setup-row", args=["rooms", room.pk]), told)

    def shown(self, desk, room):
        return words(desk.get(reverse("setup-row", args=["rooms", room.pk])))

    def test_says_who_changed_what_from_what_to_what(self, desk, room):
        self.save(desk, room, name="Theatre 1")
        self.save(desk, Room.objects.get(pk=room.pk))

        said = self.shown(desk, room)

        assert f"Name: {room.name} to Theatre 1" in said
        assert SetupChange.objects.count() == 1
        assert SetupChange.objects.get().by.username == "supervisor"

    def test_what_many_rows_at_once_changed_in_between_is_not_missed(self, desk, room):
        self.save(desk, room, name="Theatre 1")
        Room.objects.update(walk_order=77)
        assert "In between, by another way" in self.shown(desk, room)

        room.refresh_from_db()
        self.save(desk, room, name="Theatre 2")

        said = self.shown(desk, room)
        assert "Walk order: 1 to 77" in said.split("In between, by another way")[1]
        assert "Walk order" not in said.split("In between, by another way")[0].split("What changed here")[1]

    def test_new_row_and_removed_row_leave_a_trace(self, desk):
        desk.post(
            reverse("setup-row", args=["rooms", 0]),
            {"code": "OR-9", "name": "Nine", "kind": "operating", "walk_order": 9},
        )
        room = Room.objects.get(code="OR-9")
        desk.post(reverse("setup-remove", args=["rooms", room.pk]))

        removed, added = SetupChange.objects.filter(page="rooms", row=room.pk)
        assert (added.before, added.after["code"]) == ({}, "OR-9")
        assert (removed.before["code"], removed.after) == ("OR-9", {})

    def test_choice_is_kept_as_stored_and_read_in_words(self, desk):
        line = ConsumableFactory(criticality="routine")
        form = desk.get(reverse("setup-row", args=["catalogue", line.pk])).context["form"]
        told = {name: form[name].value() for name in form.fields if form[name].value() is not None}
        desk.post(reverse("setup-row", args=["catalogue", line.pk]), told | {"criticality": "never_out"})

        assert SetupChange.objects.get().after["criticality"] == "never_out"
        assert "Criticality: routine to never out" in words(desk.get(reverse("setup-row", args=["catalogue", line.pk])))

    def test_change_is_written_once(self, desk, room):
        self.save(desk, room, name="Theatre 1")

        with pytest.raises(DatabaseError, match="append-only"), transaction.atomic():
            SetupChange.objects.update(title="x")


def forms_of_the_set_up(department, cart):
    yield from (form_for(page)(department=department) for page in PAGES.values())
    yield NewParRowForm(place=cart)
    yield OrderPolicyForm()


def fields_of(constraint):
    condition = getattr(constraint, "condition", None)
    return {*getattr(constraint, "fields", ()), *(condition.referenced_base_fields if condition else ())}


def test_every_rule_over_fields_of_a_form_is_said_at_one_of_them(department, cart):
    nowhere = [
        (type(form).__name__, constraint.name)
        for form in forms_of_the_set_up(department, cart)
        for constraint in form.instance._meta.constraints
        if fields_of(constraint) & set(form.fields) and form._field_of(constraint) is None
    ]

    assert not nowhere, "name the field as the violation_error_code of the constraint"
