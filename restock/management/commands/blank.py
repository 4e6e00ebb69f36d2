"""manage.py blank KIND FILE.xlsx: an empty sheet that explains itself."""

from pathlib import Path

from django.core.management.base import BaseCommand, CommandError

from inventory.importing.blank import write_blank
from restock.importing import ALL, KINDS


class Command(BaseCommand):
    help = "Write an empty workbook with the columns of a kind of sheet, explained in cell notes."
    requires_system_checks = []

    def add_arguments(self, parser):
        parser.add_argument("kind", metavar="KIND", choices=[*KINDS, ALL], help=f"{', '.join(KINDS)}, or {ALL}.")
        parser.add_argument("file", type=Path, metavar="FILE.xlsx")
        parser.add_argument("--force", action="store_true", help="Write over a file that is there.")

    def handle(self, *, kind, file, force, **options):
        if file.suffix.casefold() != ".xlsx":
            raise CommandError(f"{file} does not end in .xlsx, and a workbook does.")
        if file.exists() and not force:
            raise CommandError(f"{file} is there already. Take another name, or --force to write over it.")
        kinds = KINDS.values() if kind == ALL else [KINDS[kind]]
        try:
            write_blank(file, {one.name: one.columns for one in kinds})
        except OSError as error:
            raise CommandError(f"{file} cannot be written: {error.strerror}.") from None
        self.stdout.write(f"{file} written. When it is filled in: manage.py load {kind} {file}")
