"""Sheets of any kind out and back: one download, and one page on which a filled-in sheet comes back."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import NamedTuple

from django import forms
from django.contrib import messages
from django.core.files.uploadedfile import UploadedFile
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.utils.text import slugify
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from inventory.importing.problems import SheetRefused
from inventory.ledger import Refused
from restock.workbook import Paper
from restock.workbook.forms import Filled, Form, read_form

from .current import current_department
from .forms.plans import MOST_BYTES

WORKBOOK_TYPE = "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet"

Apply = Callable[[Filled, object, datetime], str]


class SheetBackForm(forms.Form):
    """A sheet that was filled in and comes back."""

    workbook = forms.FileField(label=gettext_lazy("Filled-in sheet"), widget=forms.FileInput(attrs={"accept": ".xlsx"}))

    def clean_workbook(self):
        workbook = self.cleaned_data["workbook"]
        if workbook.size > MOST_BYTES:
            raise forms.ValidationError(_("This file is larger than any such sheet: choose the one written here."))
        return workbook


class BackPage(NamedTuple):
    """What the page says. `back_url`, `back_label`: where the sheet belongs, and where to go when it is recorded."""

    heading: str
    lead: str
    back_url: str
    back_label: str
    button: str = gettext_lazy("Record what is on the sheet")


def sheet_response(workbook: bytes, name: str) -> HttpResponse:
    """A workbook of `write_form` to save, under a name made of words."""
    response = HttpResponse(workbook, content_type=WORKBOOK_TYPE)
    response["Content-Disposition"] = f'attachment; filename="{slugify(name) or "sheet"}.xlsx"'
    return response


def paper_of(request: HttpRequest) -> Paper:
    """The paper asked for: `?paper=letter`, else A4."""
    return Paper.LETTER if request.GET.get("paper") == "letter" else Paper.A4


def bring_back(
    request: HttpRequest, form: Form, apply: Apply, page: BackPage, *, about: str | None = None
) -> HttpResponse:
    """The whole page: choose the file, read every problem, or go on with what was recorded said in words.

    `apply(filled, by, at)` records the answers in one transaction and says what it did; it raises SheetRefused (with
    `Answer.problem`) or the ledger's Refused where it cannot, and then nothing of the sheet is recorded.
    """
    upload = SheetBackForm(request.POST or None, request.FILES or None)
    problems = []
    if request.method == "POST" and upload.is_valid():
        try:
            with as_file(upload.cleaned_data["workbook"]) as path:
                filled = read_form(form, path, department=current_department(request), about=about)
            said = apply(filled, request.user, timezone.now())
        except SheetRefused as refusal:
            problems = refusal.problems
        except Refused as refusal:
            problems = [refusal]
        else:
            messages.success(request, said)
            return redirect(page.back_url)
    status = 400 if upload.errors or problems else 200
    context = {"form": upload, "problems": problems, "page": page}
    return render(request, "sheets/bring_back.html", context, status=status)


@contextmanager
def as_file(upload: UploadedFile) -> Iterator[Path]:
    """An upload as a file with the name it was sent under, for as long as it is read. Errors name the file."""
    with TemporaryDirectory() as folder:
        path = Path(folder) / (Path(upload.name).name or "sheet.xlsx")
        path.write_bytes(upload.read())
        yield path
