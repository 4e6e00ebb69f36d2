"""Load any number of sheets, all or nothing: every row of every sheet is checked, every fault is told at once."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path

from django.contrib.auth.models import AbstractBaseUser
from django.db import transaction
from django.utils.translation import gettext as _

from inventory.importing.column_maps import ColumnMap
from inventory.importing.loading import Loading, Outcome, source_of, unwatched
from inventory.importing.problems import Problem, SheetRefused
from inventory.importing.sheets import open_table
from inventory.importing.xlsx import Progress, Workbook
from inventory.models import Department
from restock.models import Import

from .kinds import KINDS, Kind

SUFFIXES = (".xlsx", ".csv")


@dataclass(frozen=True)
class Sheet:
    """A sheet to be loaded. `sheet` names a worksheet of a workbook; None takes the one whose headings fit."""

    kind: Kind
    path: Path
    sheet: str | None = None
    column_map: Mapping[str, str] | None = None
    shared_map: Mapping[str, str] | None = None
    date_order: str | None = None


@dataclass(frozen=True)
class Loaded:
    """What came of one sheet.

    `ignored` lists headings that mean nothing here, never their values; `absent` the headings that a shared column map
    names and the sheet does not have.
    """

    kind: Kind
    file: str
    sheet: str | None
    note: str
    ignored: tuple[str, ...]
    outcome: Outcome
    absent: tuple[str, ...] = ()


def load(
    sheets: Sequence[Sheet],
    *,
    department: Department,
    by: AbstractBaseUser,
    at: datetime,
    dry_run: bool = False,
    watch: Callable[[str], Progress] = unwatched,
    **options: bool,
) -> list[Loaded]:
    """Load sheets, in the order of `KINDS`, in one transaction. A dry run does everything and takes it back.

    Files are read before the transaction begins, so that a long one does not keep others from writing. A sheet that
    needs a faulty one is not checked against the database, because its faults would be the other's.

    Raises SheetRefused with the problems of all sheets.
    """
    problems: list[Problem] = []
    read: list[tuple[Sheet, Loading, list]] = []
    faulty: set[str] = set()
    order = list(KINDS)
    for sheet in sorted(sheets, key=lambda sheet: order.index(sheet.kind.name)):
        try:
            table = open_table(
                sheet.path,
                sheet.kind.columns,
                sheet=sheet.sheet,
                column_map=sheet.column_map,
                shared_map=sheet.shared_map,
                date_order=sheet.date_order,
            )
            source = source_of(sheet.path, table.sheet)
        except SheetRefused as refusal:
            problems += refusal.problems
            faulty.add(sheet.kind.name)
            continue
        loading = Loading(department=department, table=table, source=source, by=by, at=at, watch=watch)
        try:
            rows = list(sheet.kind.read(loading, watch(f"Reading {table.file}")))
        except SheetRefused as refusal:  # damaged further down
            problems += [*table.problems, *refusal.problems]
            faulty.add(sheet.kind.name)
        else:
            read.append((sheet, loading, rows))

    with transaction.atomic():
        loaded = []
        for sheet, loading, rows in read:
            if faulty.intersection(sheet.kind.needs):
                faulty.add(sheet.kind.name)
                problems += loading.table.problems
                problems.append(_unchecked(sheet.kind, faulty, loading))
                continue
            try:
                loaded.append(_apply(sheet.kind, rows, loading, options))
            except SheetRefused as refusal:
                problems += refusal.problems
                faulty.add(sheet.kind.name)
        if problems:
            raise SheetRefused(*problems)
        if dry_run:
            transaction.set_rollback(True)
    return loaded


def _apply(kind: Kind, rows: list, loading: Loading, options: Mapping[str, bool]) -> Loaded:
    outcome = kind.apply(rows, loading, **{name: options[name] for name in kind.options & options.keys()})
    if outcome.changed:
        Import.objects.create(
            department=loading.department,
            kind=kind.name,
            sha256=loading.source,
            rows=outcome.rows,
            changes={what: number for what, number in outcome.counts.items() if number},
            by=loading.by,
            at=loading.at,
        )
    table = loading.table
    return Loaded(kind, table.file, table.sheet, table.note, table.unknown_headings, outcome, table.headings.absent)


def _unchecked(kind: Kind, faulty: set[str], loading: Loading) -> Problem:
    others = ", ".join(sorted(faulty.intersection(kind.needs)))
    return Problem(
        loading.table.file,
        _("rows that could not be checked against %(others)s yet") % {"others": others},
        _("the problems of %(others)s to be mended first") % {"others": others},
        sheet=loading.table.sheet,
    )


def translated(sheets: Sequence[Sheet], column_map: ColumnMap) -> list[Sheet]:
    """The sheets with a department's own headings and dates."""
    return [
        replace(
            sheet,
            column_map=column_map.of_kind(sheet.kind.name),
            shared_map=column_map.shared_with(sheet.kind.columns),
            date_order=column_map.date_order,
        )
        for sheet in sheets
    ]


def sheets_of(path: Path) -> list[Sheet]:
    """The sheets of a workbook with one sheet for each kind, or of a folder with one file for each kind.

    A sheet or file is known by its name (`case-types`, `case-types.csv`); other names are left alone. Raises
    SheetRefused where none is known or a folder has one kind twice.
    """
    if not path.exists():
        raise SheetRefused(Problem(path.name, _("nothing of this name"), _("a workbook (.xlsx), or a folder of files")))
    if path.is_dir():
        sheets = [
            Sheet(kind, file)
            for kind in KINDS.values()
            for file in sorted(path.iterdir())
            if file.suffix.casefold() in SUFFIXES and file.stem.casefold() == kind.name
        ]
        twice = {sheet.kind.name for sheet in sheets if sum(other.kind == sheet.kind for other in sheets) > 1}
        if twice:
            raise SheetRefused(
                Problem(
                    path.name,
                    _("two files for %(kinds)s") % {"kinds": ", ".join(sorted(twice))},
                    _("one file for each"),
                )
            )
        if not sheets:
            names = ", ".join(f"{kind}.csv" for kind in KINDS)
            raise SheetRefused(
                Problem(path.name, _("no file of a known kind"), _("files such as %(names)s") % {"names": names})
            )
        return sheets
    with Workbook(path) as workbook:
        titles = {title.casefold(): title for title in workbook.sheets}
    sheets = [Sheet(kind, path, titles[kind.name]) for kind in KINDS.values() if kind.name in titles]
    if not sheets:
        raise SheetRefused(
            Problem(path.name, _("no sheet of a known kind"), _("sheets named %(kinds)s") % {"kinds": ", ".join(KINDS)})
        )
    return sheets
