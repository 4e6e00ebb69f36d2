"""What a person says about a spreadsheet that comes in: of what kind it is, and what its headings mean."""

from __future__ import annotations

from django import forms
from django.conf import settings
from django.utils.translation import gettext_lazy as _

from inventory.importing.ways import Ways
from restock.importing import ALL, KINDS, Kind
from restock.importing.headings import Choice, Headings

KIND_WORDS = {
    "catalogue": _("Catalogue: every line, its size, section and barcodes"),
    "bundles": _("Bundles: what is made up of which pieces"),
    "places": _("Places: carts, storerooms, rooms and bins"),
    "stock": _("Par sheets and counts: what each place keeps and holds"),
    "case-types": _("Case types"),
    "setups": _("Set-up standards: what is laid out for which case"),
    "cases": _("Case list of a day"),
    "usage": _("Usage: what cases used"),
    ALL: _("One workbook with a sheet for each kind"),
}
# What messages of the loaders call the choices of this page.
PAGE_WAYS = Ways(
    own_headings=_("or choose on the next page what each of your own headings means"),
    date_order=_("choose the sheet again and say under “Dates written as text” which comes first"),
    only_pars=_("choose the sheet again and tick “Par sheets: take par, floor, capacity and bin only”"),
    keep_unmatched=_("or choose the sheet again and tick “Usage: keep rows of cases that are on no list”"),
    correct=_("bring the list back with “Its numbers are right where others were recorded before” ticked"),
    superseded=_("bring it back with “The pieces were carried although a newer list was made” ticked"),
)
SUFFIXES = {".xlsx": ".xlsx", ".csv": ".csv"}


class SheetForm(forms.Form):
    """A spreadsheet and its kind."""

    kind = forms.ChoiceField(label=_("What is in it"), choices=[(name, KIND_WORDS[name]) for name in (*KINDS, ALL)])
    file = forms.FileField(
        label=_("Spreadsheet"), widget=forms.FileInput(attrs={"accept": ".xlsx,.csv"}),
        help_text=_("An Excel workbook (.xlsx) or a CSV file in UTF-8, with headings in its first filled row."),
    )  # fmt: skip
    date_order = forms.ChoiceField(
        label=_("Dates written as text"),
        required=False,
        choices=[
            ("", _("2026-12-31 only, or real dates of a workbook")),
            ("dmy", _("day first: 31/12/2026")),
            ("mdy", _("month first: 12/31/2026")),
        ],
    )
    only_pars = forms.BooleanField(
        label=_("Par sheets: take par, floor, capacity and bin only; leave what is on hand, lots and dates alone"),
        required=False,
    )
    part_of_day = forms.BooleanField(
        label=_("Case list: a part of the day; rooms that it does not name keep their cases"), required=False
    )
    keep_unmatched = forms.BooleanField(
        label=_("Usage: keep rows of cases that are on no list, as use of their room and day"), required=False
    )

    def clean_file(self):
        file = self.cleaned_data["file"]
        if file.size > settings.UPLOAD_MOST_BYTES:
            most = settings.UPLOAD_MOST_BYTES // 1_000_000
            raise forms.ValidationError(
                _("This file has more than %(most)d MB: split it, or load it with manage.py load.") % {"most": most}
            )
        suffix = "." + file.name.rpartition(".")[2].lower()
        if suffix not in SUFFIXES:
            raise forms.ValidationError(
                _("Choose an .xlsx or .csv file; the spreadsheet program writes one by “Save as”.")
            )
        self.cleaned_data["suffix"] = SUFFIXES[suffix]
        return file


class HeadingsForm(forms.Form):
    """For each column that the kind knows, which heading of the sheet stands for it."""

    def __init__(self, *args, kind: Kind, headings: Headings, **kwargs) -> None:
        super().__init__(*args, **kwargs)
        self.kind = kind
        there = [(str(position), words) for position, words in headings.shown.items()]
        for column in kind.columns:
            guess = headings.guess[column.name]
            self.fields[column.name] = forms.ChoiceField(
                label=column.name,
                choices=[("", _("choose a heading") if column.required else _("not in this sheet")), *there],
                required=column.required,
                initial="" if guess is None else str(guess),
                help_text=column.meaning,
                error_messages={"required": _("Every sheet of this kind needs it: choose the heading that means it.")},
            )

    def clean(self) -> dict:
        taken: dict[str, str] = {}
        for column in self.kind.columns:
            position = self.cleaned_data.get(column.name)
            if position and taken.setdefault(position, column.name) != column.name:
                self.add_error(column.name, _("This heading already stands for %(name)s.") % {"name": taken[position]})
        return self.cleaned_data

    @property
    def choice(self) -> Choice:
        """Column name -> position of its heading, or None."""
        return {name: int(position) if position else None for name, position in self.cleaned_data.items()}
