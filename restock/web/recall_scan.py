"""Whether a scanned pack is recalled, in words."""

from __future__ import annotations

from dataclasses import dataclass

from django.utils.translation import gettext as _

from inventory.models import Recall
from inventory.recalls import is_named, recall_of

from .scans import Answer


@dataclass(frozen=True)
class Verdict:
    """recalled: True, False, or None where the code does not say enough. recall: the one that means it."""

    words: str
    recalled: bool | None
    recall: Recall | None = None


def verdict(answer: Answer, sweep: Recall | None = None) -> Verdict:
    """What a scan says about recalls: about one of them (a drill too), or about all that stand."""
    if answer.problem:
        return Verdict(answer.problem, None)
    if answer.found is None:
        return Verdict(_("The catalogue does not know this pack: compare it with the notice by eye."), None)
    line = answer.found.consumable
    if sweep and line.pk != sweep.consumable_id:
        return Verdict(_("Another line: %(line)s. This recall does not mean it.") % {"line": line.label}, False)
    lot = answer.found.lot
    if sweep:
        recall = sweep if sweep.all_lots or (lot and is_named(sweep, lot)) else None
    else:
        recall = recall_of(line, lot or "")
    said = {"line": line.label, "lot": lot or ""}
    if recall and lot:
        words = _("Recalled: %(line)s, lot %(lot)s. Do not use it: put it aside and count it.") % said
        return Verdict(words, True, recall)
    if recall:
        return Verdict(
            _("Recalled whatever its lot: %(line)s. Do not use it: put it aside and count it.") % said, True, recall
        )
    if not lot:
        return Verdict(_("%(line)s: this code does not say the lot for certain. Read it on the pack.") % said, None)
    if sweep and sweep.lot_from:
        return Verdict(_("%(line)s, lot %(lot)s: not among the lots of this notice.") % said, False)
    return Verdict(_("%(line)s, lot %(lot)s: no recall on record here means it.") % said, False)
