"""manage.py load KIND FILE: a department's spreadsheets in, all or nothing."""

from pathlib import Path

from django.contrib.auth.models import AbstractBaseUser
from django.core.management.base import CommandError
from django.utils import timezone

from inventory.importing.column_maps import read_column_map
from inventory.importing.loading import amount
from inventory.importing.problems import SheetRefused, quoted
from inventory.models import Department
from restock.importing import ALL, KINDS, Loaded, Sheet, load, sheets_of, translated
from restock.management.base import DepartmentCommand
from restock.management.progress import Bars
from restock.setting_up.people import people_of


class Command(DepartmentCommand):
    help = (
        "Load a spreadsheet. Every row is checked before anything is written, and either all of it is loaded or "
        "nothing. Loading the same file again changes nothing."
    )

    def add_arguments(self, parser):
        super().add_arguments(parser)
        parser.add_argument("kind", metavar="KIND", choices=[*KINDS, ALL], help=f"{', '.join(KINDS)}, or {ALL}.")
        parser.add_argument(
            "file",
            type=Path,
            metavar="FILE",
            help=".xlsx or .csv; for all: a workbook with one sheet for each kind, or a folder with one file for each.",
        )
        parser.add_argument("--sheet", metavar="NAME", help="Which sheet of the workbook.")
        parser.add_argument(
            "--columns",
            type=Path,
            metavar="MAP.toml",
            help=(
                'Your own headings: a table [columns] of lines such as "Article no." = "code", and tables such as '
                '[columns.cases] for what only that kind of sheet says. Above them date_order = "dmy" where your dates '
                "are text such as 31/12/2026."
            ),
        )
        parser.add_argument("--dry-run", action="store_true", help="Check all of it and write nothing.")
        parser.add_argument("--by", metavar="USER", help="Who signs what is counted and used; else a supervisor.")
        parser.add_argument(
            "--part",
            action="store_true",
            help="cases: the list is a part of the day, so rooms that it does not name keep their cases.",
        )
        parser.add_argument(
            "--keep-unmatched",
            action="store_true",
            help="usage: keep rows of cases that are on no list as use of their room and day.",
        )

        parser.add_argument(
            "--only-pars",
            action="store_true",
            help="stock: take par, floor, capacity and bin from the sheet, and leave on_hand, lots and dates alone.",
        )

    def handle(self, *, kind, file, sheet, columns, dry_run, part, keep_unmatched, only_pars, **options):
        department = self.department(options["department"])
        if kind == ALL and sheet:
            raise CommandError(
                "--sheet is for one kind of sheet at a time: for all, the sheets are named by their kind."
            )
        try:
            sheets = sheets_of(file) if kind == ALL else [Sheet(KINDS[kind], file, sheet)]
            if columns:
                of_kinds = {one.name: one.columns for one in KINDS.values()}
                sheets = translated(sheets, read_column_map(columns, of_kinds))
            with Bars() as bars:
                loaded = load(
                    sheets,
                    department=department,
                    by=self._signer(department, options["by"]),
                    at=timezone.now(),
                    dry_run=dry_run,
                    watch=bars,
                    part_of_day=part,
                    keep_unmatched=keep_unmatched,
                    only_pars=only_pars,
                )
        except SheetRefused as refusal:
            raise CommandError(f"{refusal}\nNothing was loaded.") from None
        for one in loaded:
            self._report(one)
        if dry_run:
            self.stdout.write("Nothing was written: this was a dry run.")

    def _signer(self, department: Department, name: str | None) -> AbstractBaseUser:
        if name is not None:
            return self.person(department, name)
        supervisors = people_of(department, roles=["supervisor"]).filter(is_active=True)
        if not supervisors:
            raise CommandError(
                f'{department} has no supervisor yet: manage.py begin "{department}" --code {department.code} '
                "--user NAME"
            )
        return supervisors.order_by("pk")[0]

    def _report(self, loaded: Loaded) -> None:
        outcome = loaded.outcome
        done = ", ".join(f"{what}: {number}" for what, number in outcome.counts.items() if number)
        where = loaded.file if loaded.sheet is None else f"{loaded.file}, sheet “{loaded.sheet}”"
        self.stdout.write(
            f"{loaded.kind.name} from {where}, {amount(outcome.rows, 'row')}. {done or 'Nothing changed'}."
        )
        for note in filter(None, (loaded.note, *outcome.notes)):
            self.stdout.write(f"  {note}")
        if loaded.ignored:
            self.stdout.write(f"  Columns that were ignored: {', '.join(loaded.ignored)}.")
        if loaded.absent:
            self.stdout.write(
                f"  Headings of the column map that are not here: {', '.join(map(quoted, loaded.absent))}."
            )
