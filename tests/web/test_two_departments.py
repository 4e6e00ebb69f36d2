"""Several departments on one site: who belongs to which, from the first day of each."""

from importlib import import_module

import pytest
from django.apps import apps
from django.contrib.auth import get_user_model
from django.contrib.auth.models import Group
from django.core.management import CommandError
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from inventory.departments import open_department
from inventory.models import Department
from restock.models import Import
from restock.setting_up.people import add_person, change_person, department_of
from tests.factories import UserFactory
from tests.restock.importing.test_commands import run

PASSWORD = "correct horse battery"


@pytest.fixture
def begin(db, monkeypatch):
    """`begin("North", user="nora")`: open a department with its first supervisor, as on the command line."""
    monkeypatch.setenv("SUPERVISOR_PASSWORD", PASSWORD)

    def open_one(name, user):
        run("begin", name, user=user)
        return Department.objects.get(name=name), get_user_model().objects.get(username=user)

    return open_one


def department_seen_by(user):
    browser = Client()
    browser.force_login(user)
    return browser.get(reverse("carts")).context["department"].name


def test_a_second_department_opens_for_its_own_people_and_locks_nobody_out_of_the_first(begin):
    north, nora = begin("North", user="nora")
    technician = add_person(north, username="tom", roles=["technician"], password=PASSWORD, by=nora, at=timezone.now())

    _south, susan = begin("South", user="susan")

    assert {user.username: department_seen_by(user) for user in (nora, technician, susan)} == {
        "nora": "North",
        "tom": "North",
        "susan": "South",
    }


def test_the_first_supervisor_of_a_department_is_no_administrator_of_all(begin):
    _north, nora = begin("North", user="nora")

    assert not nora.is_superuser
    assert not nora.is_staff


def test_who_works_in_one_department_is_not_taken_into_another(begin, monkeypatch):
    begin("North", user="nora")

    with pytest.raises(CommandError, match="belongs to a department already"):
        begin("South", user="nora")

    assert not Department.objects.filter(name="South").exists()


def test_a_department_s_figures_are_signed_by_its_own_people_only(begin, tmp_path):
    begin("North", user="nora")
    south, susan = begin("South", user="susan")
    places = tmp_path / "places.csv"
    places.write_text("place,kind,room,restocked_from\nMAIN,storeroom,,\n")

    run("load", "places", places, department="south")
    assert Import.objects.get(department=south).by == susan
    for command, options in {"load": {"by": "nora"}, "plan": {"by": "nora"}, "confirm": {"by": "nora"}}.items():
        arguments = {"load": ("places", places), "plan": (), "confirm": (tmp_path / "list.xlsx",)}[command]
        with pytest.raises(CommandError, match="Nobody who signs in as nora works in South"):
            run(command, *arguments, department="south", **options)


def test_who_left_signs_nothing(begin):
    north, nora = begin("North", user="nora")
    leaver = add_person(north, username="tom", roles=["technician"], password=PASSWORD, by=nora, at=timezone.now())
    change_person(north, leaver, roles=["technician"], is_active=False, by=nora, at=timezone.now())

    with pytest.raises(CommandError, match="Nobody who signs in as tom works in North"):
        run("plan", by="tom")


class TestMigrationOfWhoBelongedWhere:
    """From groups called "department CODE", and nothing at all where there was one department, to memberships."""

    @pytest.fixture
    def migrate(self):
        migration = import_module("restock.migrations.0013_memberships")
        return lambda: migration.members_of_what_they_could_reach(apps, None)

    def test_everybody_of_a_single_department_becomes_its_member(self, department, migrate):
        users = [UserFactory(membership=None), UserFactory(membership=None, groups=["technician"])]

        migrate()

        assert [department_of(user) for user in users] == [department, department]

    def test_of_several_departments_each_gets_those_of_its_group(self, department, migrate):
        other = open_department(code="other", name="Another department")
        here = UserFactory(membership=None, groups=["technician", "department main"])
        there = UserFactory(membership=None, groups=["technician", "department other"])
        nowhere = UserFactory(membership=None, groups=["technician"])

        migrate()

        assert [department_of(user) for user in (here, there, nowhere)] == [department, other, None]
        assert not Group.objects.filter(name__startswith="department ").exists()
