"""What a technician says about lines of the round, read from a posted form."""

from __future__ import annotations

from dataclasses import dataclass

from django.http import QueryDict
from django.utils.translation import gettext as _

from restock.evening.picking import NotSaved, Refusal, Said, Why
from restock.workbook.reading import MOST_PICKED

from .keys import key_in

# The buttons of a line.
ALL, TYPED, REST, BACK = "all", "typed", "rest", "back"

LONGEST_NUMBER = 10  # digits that are read or repeated


class Unreadable(Exception):
    """A number that is none; the message is for the person who typed it."""


@dataclass(frozen=True)
class LineTrouble:
    """Why one line of the page was not saved: words, what was typed, and whether it may be saved all the same."""

    words: str
    typed: dict[str, str]
    may_insist: bool = False


def said_of(form: QueryDict) -> list[Said]:
    """What the form says about its picks. Raises Unreadable."""
    act = form.get("act", TYPED)
    said = []
    for pick_id in form.getlist("pick"):
        seen = pieces_in(form, f"seen-{pick_id}")
        if act == ALL and seen is not None:
            continue  # a tick settles what is open, and leaves alone what a number stands for already
        if act == BACK:
            picked = None
        elif act == ALL:
            picked = pieces_in(form, f"all-{pick_id}")
        else:
            picked = pieces_in(form, f"picked-{pick_id}")
            picked = 0 if picked is None and act == REST else picked
        said.append(
            Said(
                pick_id=key_in(pick_id),
                picked=picked,
                seen=seen,
                lot_id=key_in(form["lot"]) if form.get("lot") and act in (TYPED, REST) else None,
                rest_not_found=act == REST,
            )
        )
    return said


def pieces_in(form: QueryDict, name: str) -> int | None:
    """A number of pieces in a field, None where it is empty. Raises Unreadable."""
    text = form.get(name, "").strip()
    if not text:
        return None
    if not text.isdecimal() or len(text) > LONGEST_NUMBER or int(text) > MOST_PICKED:
        raise Unreadable(_("Not saved: %(text)s is no number of pieces.") % {"text": f"“{text[:LONGEST_NUMBER]}”"})
    return int(text)


def trouble(not_saved: NotSaved, form: QueryDict) -> LineTrouble:
    """The words for a refusal, beside what was typed."""
    words = list(dict.fromkeys(_words(refusal) for refusal in not_saved.refusals))
    return LineTrouble(" ".join(words), typed_in(form), may_insist=not_saved.newer is not None)


def typed_in(form: QueryDict) -> dict[str, str]:
    """Numbers that stand in the form, by the pick that they are for, or as "pieces" those for a drawer."""
    typed = {name.removeprefix("picked-"): value for name, value in form.items() if name.startswith("picked-")}
    return typed | ({"pieces": form["pieces"]} if "pieces" in form else {})


def _words(refusal: Refusal) -> str:
    pick = refusal.pick
    match refusal.why:
        case Why.SAID_MEANWHILE:
            return _("Not saved: a colleague has said something else meanwhile. Look at it, then say it again.")
        case Why.NEWER_PLAN:
            return _("Not saved: a newer list was made for the same day without these pieces. Work from that one.")
        case Why.UNKNOWN_LOT:
            return _("Not saved: this lot is none of this line.")
        case Why.BEYOND_STOCK if pick.lot:
            return _(
                "Not saved: the record of %(place)s holds %(most)d of lot %(lot)s. If there are more, count them first."
            ) % {"place": pick.storeroom, "most": refusal.most, "lot": pick.lot}
    return _("Not saved: the record of %(place)s holds %(most)d. If there are more, count them first.") % {
        "place": pick.storeroom,
        "most": refusal.most,
    }
