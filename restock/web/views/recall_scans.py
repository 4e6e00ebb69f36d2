"""Counting what one place holds of a recalled lot by scanning every pack that is found there."""

from __future__ import annotations

from dataclasses import replace

from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, render
from django.utils.translation import gettext as _
from django.views.decorators.cache import never_cache
from django.views.decorators.debug import sensitive_post_parameters
from django.views.decorators.http import require_http_methods

from inventory.models import RecallPlace

from ..contents.recall_rows import SweepRow
from ..forms.recalls import AnswerForm
from ..recall_scan import verdict
from ..said_lines import LONGEST_NUMBER
from ..scans import Answer
from .recalls import found_recall, scanned, sweep


@never_cache
@sensitive_post_parameters("scan")
@require_http_methods(["GET", "HEAD", "POST"])
def recall_scan_place(request: HttpRequest, recall_id: int, recall_place_id: int) -> HttpResponse:
    """The sweep with one place's answer open: each pack of a recalled lot that is scanned adds its pieces to it.

    A pack that is not meant is said so and kept nowhere. Nothing is answered before a person saves the row.
    """
    recall = found_recall(request, recall_id)
    asked = get_object_or_404(RecallPlace, pk=recall_place_id, recall=recall)
    context = sweep(request, recall)
    at = next(n for n, row in enumerate(context["rows"]) if row.told.recall_place.pk == asked.pk)
    row: SweepRow = context["rows"][at]
    form, said = row.form, ""
    form.initial.setdefault("found", 0)
    if request.method == "POST":
        answer = scanned(request)
        pieces, said = _meant(answer, recall)
        form = _typed(request, row)
        form.initial["found"] = _number(form.initial["found"]) + pieces
    row = context["rows"][at] = replace(row, form=form, scanning=True, said=said)
    if request.htmx:
        return render(request, "recalls/row.html", context | {"row": row})
    return render(request, "recalls/sweep.html", context | {"scanning": row})


def _meant(answer: Answer, recall) -> tuple[int, str]:
    """Pieces that a scan adds, and what it says."""
    told = verdict(answer, recall)
    if answer.found is None or told.recalled is None:
        return 0, told.words
    words = {"line": answer.found.consumable.label, "lot": answer.found.lot or "", "pieces": answer.found.pieces}
    if not told.recalled:
        if answer.found.consumable.pk != recall.consumable_id:
            return 0, _("Not this line: %(line)s. Nothing was added.") % words
        return 0, _("Not this lot: %(lot)s. Nothing was added.") % words
    if answer.found.packaging is None:
        return 0, _("This is a label of the line. Scan the packs themselves.")
    if answer.found.lot:
        return answer.found.pieces, _("Added %(pieces)d of lot %(lot)s.") % words
    return answer.found.pieces, _("Added %(pieces)d; this recall means every lot.") % words


def _typed(request: HttpRequest, row: SweepRow) -> AnswerForm:
    """The row's form with what stands in its fields now; where they did not come along, with what was found so far."""
    sent = request.POST
    initial = dict(row.form.initial)
    for name in ("returned", "destroyed", "note"):
        if name in sent:
            initial[name] = sent[name][:200] if name == "note" else _number(sent[name])
    initial["found"] = sent.get("found", sent.get("so-far", initial["found"]))
    return AnswerForm(initial=initial, auto_id=row.form.auto_id)


def _number(text: object) -> int:
    text = str(text).strip()
    return int(text) if text.isdecimal() and len(text) < LONGEST_NUMBER else 0
