"""Spreadsheets in from the browser, by the rules of `manage.py load`: choose, say what the headings mean, check, apply.

The session knows only the token of the file, its kind and positions of columns: nothing that stands in it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.utils.translation import gettext as _
from django.views.decorators.debug import sensitive_variables
from django.views.decorators.http import require_http_methods, require_POST

from inventory.importing.problems import SheetRefused, ranges
from inventory.importing.ways import named_as
from restock.importing import ALL, KINDS, Loaded, Sheet, load, sheets_of
from restock.importing.headings import read_headings, remember, sheet_names
from restock.models import Import

from .. import uploads
from ..current import current_department
from ..forms.sheets import KIND_WORDS, PAGE_WAYS, HeadingsForm, SheetForm

IN_HAND = "sheet in hand"
MOST_PROBLEMS_SHOWN = 200


@require_http_methods(["GET", "HEAD", "POST"])
def sheets(request: HttpRequest) -> HttpResponse:
    """Choose a spreadsheet and its kind."""
    form = SheetForm(request.POST or None, request.FILES or None)
    if request.method == "POST" and form.is_valid():
        told = form.cleaned_data
        _let_go(request)
        # A file's own name may say whose it is, and errors would repeat it.
        token = uploads.keep(told["file"], name=told["kind"] + told["suffix"])
        options = {option: told[option] for option in ("part_of_day", "keep_unmatched", "only_pars")}
        request.session[IN_HAND] = {
            "token": token,
            "kind": told["kind"],
            "options": options,
            "date_order": told["date_order"] or None,
        }
        return redirect("sheet-headings")
    context = {"form": form, "imports": _last_imports(request), "in_hand": _in_hand(request)}
    return render(request, "sheets/choose.html", context, status=400 if form.errors else 200)


@require_http_methods(["GET", "HEAD", "POST"])
@sensitive_variables()
@named_as(PAGE_WAYS)
def sheet_headings(request: HttpRequest) -> HttpResponse:
    """Say what the headings mean, then see what the sheet would do or what is wrong with it. Nothing is written."""
    in_hand = _in_hand(request)
    if in_hand is None:
        return _gone(request)
    path, told = in_hand
    context = {"kind": told["kind"], "kind_words": KIND_WORDS[told["kind"]]}
    if told["kind"] == ALL:
        return _check(request, path, told, context) if request.method == "POST" else _contents(request, path, context)
    kind, department = KINDS[told["kind"]], current_department(request)
    asked = request.POST if request.method == "POST" else request.GET
    try:
        names = _sheet_names(path)
        sheet = names.get(asked.get("sheet", ""))
        headings = read_headings(path, kind, department, sheet=sheet, show="show" in asked)
    except SheetRefused as refusal:
        return _refused(request, context, refusal)
    form = HeadingsForm(request.POST or None, kind=kind, headings=headings)
    position = next((number for number, name in names.items() if name == headings.sheet), None)
    context |= {"form": form, "headings": headings, "names": names, "position": position, "show": "show" in asked}
    if request.method == "POST" and form.is_valid() and not headings.hidden:
        request.session[IN_HAND] = told | {"sheet": position, "columns": form.choice}
        return _check(request, path, request.session[IN_HAND], context)
    return render(request, "sheets/headings.html", context, status=400 if form.errors else 200)


@require_POST
@sensitive_variables()
@named_as(PAGE_WAYS)
def sheet_apply(request: HttpRequest) -> HttpResponse:
    """Load the sheet that was checked, all or nothing, and delete the file."""
    in_hand = _in_hand(request)
    if in_hand is None or ("columns" not in in_hand[1] and in_hand[1]["kind"] != ALL):
        return _gone(request)
    path, told = in_hand
    context = {"kind": told["kind"], "kind_words": KIND_WORDS[told["kind"]]}
    try:
        loaded = _load(request, path, told, dry_run=False)
    except SheetRefused as refusal:
        return _refused(request, context, refusal)
    _let_go(request)
    return render(request, "sheets/applied.html", context | {"loaded": [_outcome(one) for one in loaded]})


@require_POST
def sheet_forget(request: HttpRequest) -> HttpResponse:
    """Delete the file without applying it."""
    _let_go(request)
    messages.success(request, _("The spreadsheet is deleted here. Nothing of it was kept."))
    return redirect("sheets")


def _in_hand(request: HttpRequest) -> tuple[Path, dict] | None:
    told = request.session.get(IN_HAND)
    path = uploads.find(told["token"]) if told else None
    return (path, told) if path else None


def _let_go(request: HttpRequest) -> None:
    if told := request.session.pop(IN_HAND, None):
        uploads.forget(told["token"])


def _gone(request: HttpRequest) -> HttpResponse:
    messages.warning(request, _("No spreadsheet is waiting: it was applied, or its hour is over. Choose it again."))
    return redirect("sheets")


def _sheet_names(path: Path) -> dict[str, str]:
    """The sheets of a workbook by the number that a form sends for them."""
    return {str(number): name for number, name in enumerate(sheet_names(path))} if path.suffix == ".xlsx" else {}


def _load(request: HttpRequest, path: Path, told: Mapping, *, dry_run: bool) -> list[Loaded]:
    """Load by the rules of the command line. What the headings mean is remembered once they were good for a load."""
    department = current_department(request)
    if told["kind"] == ALL:
        asked = []
        for sheet in sheets_of(path):
            headings = read_headings(path, sheet.kind, department, sheet=sheet.sheet)
            column_map = headings.column_map(headings.guess)
            asked.append((replace(sheet, column_map=column_map, date_order=told.get("date_order")), None))
    else:
        kind = KINDS[told["kind"]]
        names = _sheet_names(path)
        sheet = None if told["sheet"] is None else names.get(told["sheet"])
        headings = read_headings(path, kind, department, sheet=sheet)
        column_map = headings.column_map(told["columns"])
        asked = [(Sheet(kind, path, sheet, column_map, date_order=told.get("date_order")), headings)]
    loaded = load(
        [sheet for sheet, _ in asked],
        department=department,
        by=request.user,
        at=timezone.now(),
        dry_run=dry_run,
        **told["options"],
    )
    if not dry_run:
        for sheet, headings in asked:
            if headings is not None:
                remember(headings, told["columns"], kind=sheet.kind, department=department)
    return loaded


def _check(request: HttpRequest, path: Path, told: Mapping, context: dict) -> HttpResponse:
    try:
        loaded = _load(request, path, told, dry_run=True)
    except SheetRefused as refusal:
        return _refused(request, context, refusal)
    return render(request, "sheets/check.html", context | {"loaded": [_outcome(one) for one in loaded]})


def _contents(request: HttpRequest, path: Path, context: dict) -> HttpResponse:
    try:
        found = [KIND_WORDS[sheet.kind.name] for sheet in sheets_of(path)]
    except SheetRefused as refusal:
        return _refused(request, context, refusal)
    return render(request, "sheets/headings.html", context | {"found": found})


def _refused(request: HttpRequest, context: dict, refusal: SheetRefused) -> HttpResponse:
    told = list(refusal.with_rows().items())
    context |= {
        "problems": [(problem, ", ".join(ranges(rows))) for problem, rows in told[:MOST_PROBLEMS_SHOWN]],
        "not_shown": max(len(told) - MOST_PROBLEMS_SHOWN, 0),
        "faults": len(refusal.problems),
    }
    return render(request, "sheets/check.html", context, status=400)


def _outcome(loaded: Loaded) -> dict:
    return {
        "words": KIND_WORDS[loaded.kind.name],
        "rows": loaded.outcome.rows,
        "counts": [(_(what), number) for what, number in loaded.outcome.counts.items() if number],
        "notes": [note for note in (loaded.note, *loaded.outcome.notes) if note],
        "ignored": loaded.ignored,
    }


def _last_imports(request: HttpRequest) -> list[dict]:
    last = Import.objects.filter(department=current_department(request)).select_related("by")[:10]
    return [{"words": KIND_WORDS.get(one.kind, one.kind), "import": one} for one in last]
