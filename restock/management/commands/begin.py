"""manage.py begin NAME: open a department, so that its spreadsheets can be loaded."""

import os
import sys
from getpass import getpass

from django.contrib.auth import get_user_model
from django.contrib.auth.models import Group
from django.contrib.auth.password_validation import validate_password
from django.core.exceptions import ValidationError
from django.core.management import call_command
from django.core.management.base import BaseCommand, CommandError
from django.db import connection, transaction
from django.db.migrations.executor import MigrationExecutor
from django.utils.text import slugify

from inventory.models import Department
from restock.setting_up.departments import begin_department
from restock.setting_up.people import join, people_of

PASSWORD_VARIABLE = "SUPERVISOR_PASSWORD"

NEXT = """
Next:
  manage.py blank all sheets.xlsx
    writes an empty workbook that explains itself; fill in what you have, or
  manage.py load KIND FILE{option}
    takes your own spreadsheets (--columns for your own headings, --dry-run to try)
  manage.py plan --for tomorrow{option}
    works out the evening"""


class Command(BaseCommand):
    help = "Prepare the database and open a department with what every department starts from."
    requires_migrations_checks = False

    def add_arguments(self, parser):
        parser.add_argument("name", metavar="NAME", help="The department's name.")
        parser.add_argument("--code", help="A short code for it, as in addresses; else made from the name.")
        parser.add_argument("--time-zone", metavar="ZONE", help="Such as Europe/London. Else UTC.")
        parser.add_argument(
            "--user",
            metavar="NAME",
            help=f"Make this user a supervisor. The password is asked for, or taken from {PASSWORD_VARIABLE}.",
        )

    def handle(self, *, name, code, time_zone, user, **options):
        code = code or slugify(name)[:50]
        self._prepare_database()
        known = Department.objects.filter(code=code).exists()
        password = self._password(user) if user and self._is_new(user) else None
        try:
            with transaction.atomic():
                department = begin_department(code=code, name=name, time_zone=time_zone or "UTC")
                if user:
                    self._make_supervisor(department, user, password)
        except ValidationError as error:
            raise CommandError(" ".join(error.messages)) from None
        state = "was there already; what was missing was added" if known else "is open"
        self.stdout.write(f"The department {department.name} (code {department.code}) {state}.")
        self.stdout.write(
            "It starts from common size classes (ages), extras and service levels. They are a starting point: check "
            "them under Set-up."
        )
        if user:
            self.stdout.write(f"{user} is a supervisor, and adds people under Set-up, People.")
        elif not people_of(department, roles=["supervisor"]).exists():
            self.stdout.write(f'There is no supervisor yet: manage.py begin "{name}" --code {code} --user NAME')
        several = Department.objects.exclude(pk=department.pk).exists()
        option = f" --department {department.code}" if several else ""
        self.stdout.write(NEXT.format(option=option))
        if several:
            self.stdout.write("Every command needs --department now, those that run at night too.")
        if known and time_zone not in (None, department.time_zone):
            self.stderr.write(f"Its time zone stays {department.time_zone}.")

    def _prepare_database(self) -> None:
        executor = MigrationExecutor(connection)
        if executor.migration_plan(executor.loader.graph.leaf_nodes()):
            call_command("migrate", verbosity=0, interactive=False)

    def _is_new(self, user: str) -> bool:
        return not get_user_model().objects.filter(username=user).exists()

    def _password(self, user: str) -> str:
        password = os.environ.get(PASSWORD_VARIABLE)
        if password is None:
            if not sys.stdin.isatty():
                raise CommandError(f"No password for {user}: set {PASSWORD_VARIABLE}, or run this at a terminal.")
            password = getpass(f"Password for {user}: ")
            if getpass("Once more: ") != password:
                raise CommandError("The two are not the same. Nothing was done.")
        try:
            validate_password(password, get_user_model()(username=user))
        except ValidationError as error:
            raise CommandError(" ".join(error.messages)) from None
        return password

    def _make_supervisor(self, department: Department, name: str, password: str | None) -> None:
        users = get_user_model()
        user = users.objects.filter(username=name).first()
        if user is None:
            user = users(username=name)
            user.set_password(password)
            user.full_clean()
            user.save()
        join(department, user)
        user.groups.add(Group.objects.get(name="supervisor"))
