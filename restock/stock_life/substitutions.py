"""Substitution cards: what may stand in for what while it is missing. Proposed by one person, agreed by a clinician.

One way only, until a day, and never acted on by the tool: a plan asks for what is set up, and people who pick or log
read the card. Sizes never swap by themselves: a card between sizes says that it differs in size.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterable
from dataclasses import dataclass
from datetime import date, datetime

from django.db import IntegrityError, transaction
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy

from inventory.models import Connector, Consumable, Department

from ..models import Substitution
from ..setting_up.departments import ROLES

CLINICIAN = ROLES[0]
COMPARED = ("size", "connector", "latex", "single_use")


class NotAllowed(ValueError):
    """Nothing was written; the message says to a person why."""


@dataclass(frozen=True, slots=True)
class Differences:
    """In which way two lines differ by the catalogue. What the catalogue does not state counts as a difference."""

    size: bool
    connector: bool
    latex: bool
    single_use: bool
    words: tuple[str, ...]

    def __bool__(self) -> bool:
        return self.size or self.connector or self.latex or self.single_use


def differences(wanted: Consumable, stand_in: Consumable) -> Differences:
    """What a person has to know before one line stands in for the other, from the catalogue's own fields."""
    size = wanted.size.strip().casefold() != stand_in.size.strip().casefold()
    connector = wanted.connector != stand_in.connector
    latex = wanted.latex != stand_in.latex
    single_use = wanted.single_use != stand_in.single_use
    words = []
    if size:
        words.append(
            _("size %(one)s instead of %(other)s")
            % {"one": stand_in.size or _("not stated"), "other": wanted.size or _("not stated")}
        )
    if connector:
        words.append(
            _("connector: %(one)s instead of %(other)s")
            % {"one": stand_in.get_connector_display(), "other": wanted.get_connector_display()}
        )
    if latex:
        words.append(
            _("latex: %(one)s instead of %(other)s")
            % {"one": stand_in.get_latex_display(), "other": wanted.get_latex_display()}
        )
    if single_use:
        words.append(
            _("use: %(one)s instead of %(other)s")
            % {"one": stand_in.get_single_use_display(), "other": wanted.get_single_use_display()}
        )
    return Differences(size, connector, latex, single_use, tuple(words))


def forbidden(wanted: Consumable, stand_in: Consumable) -> str:
    """Why the one may never stand in for the other, in words; empty where it may be proposed.

    A neuraxial connector (ISO 80369-6) and a Luer connector (ISO 80369-7) are made not to fit each other, so that
    nothing meant for a vein reaches the spine. A neuraxial line is replaced by a neuraxial line alone; where the
    connector of one is not stated, it has to be stated first.
    """
    if wanted.pk == stand_in.pk:
        return _("A line cannot stand in for itself.")
    if wanted.department_id != stand_in.department_id:
        return _("The lines belong to different departments.")
    connectors = {wanted.connector, stand_in.connector}
    if Connector.NEURAXIAL not in connectors or connectors == {Connector.NEURAXIAL}:
        return ""
    if Connector.NOT_STATED in connectors:
        unknown = wanted if wanted.connector == Connector.NOT_STATED else stand_in
        return _(
            "One of them has a neuraxial connector. State the connector of %(line)s in the catalogue first: a Luer "
            "connector never stands in for a neuraxial one, nor the other way round."
        ) % {"line": unknown.label}
    return _("Luer and neuraxial connectors never stand in for each other, nor does any other for a neuraxial one.")


@transaction.atomic
def propose(
    *,
    wanted: Consumable,
    stand_in: Consumable,
    in_words: str,
    until: date,
    by,
    at: datetime,
    why: str = "",
    also: Collection[str] = (),
) -> Substitution:
    """Write a card that waits for a clinician's word. in_words: what differs, as whoever picks has to read it.

    also: of "size", "connector", "latex", "single_use" those in which the proposer knows the packs to differ although
    the catalogue does not say so. What the catalogue says is marked whatever the proposer ticks.

    Raises NotAllowed where it may never be or ends before it begins, ValidationError for a field that cannot stand.
    """
    if problem := forbidden(wanted, stand_in):
        raise NotAllowed(problem)
    if until < wanted.department.local_date(at):
        raise NotAllowed(_("The last day has passed: choose today or a later day."))
    found = differences(wanted, stand_in)
    card = Substitution(
        department=wanted.department,
        wanted=wanted,
        stand_in=stand_in,
        differs_in_size=found.size or "size" in also,
        differs_in_connector=found.connector or "connector" in also,
        differs_in_latex=found.latex or "latex" in also,
        differs_in_single_use=found.single_use or "single_use" in also,
        differences=in_words.strip(),
        stated={"wanted": _stated(wanted), "stand_in": _stated(stand_in)},
        why=why.strip(),
        until=until,
        proposed_at=at,
        proposed_by=by,
    )
    _end_what_holds_no_more(wanted, stand_in, by=by, at=at)
    card.full_clean()
    try:
        with transaction.atomic():
            card.save()
    except IntegrityError as error:  # two people at the same moment
        raise NotAllowed(_("There is a card for this already: end it before you write another.")) from error
    return card


@transaction.atomic
def agree(card: Substitution, *, by, at: datetime) -> Substitution:
    """A clinician other than the proposer says yes. Said twice by the same person it is said once.

    Raises NotAllowed for anybody else, for a card that is over, and where the catalogue says otherwise by now.
    """
    card = _locked(card)
    if card.agreed_by_id == by.pk:
        return card
    if not is_clinician(by):
        raise NotAllowed(_("A clinician agrees to a substitution: ask one."))
    if card.proposed_by_id == by.pk:
        raise NotAllowed(_("You proposed it: another clinician has to agree."))
    if card.ended_at is not None or card.until < card.department.local_date(at):
        raise NotAllowed(_("This card is over."))
    if card.agreed_at is not None:
        raise NotAllowed(_("Another clinician has agreed to it already."))
    if problem := forbidden(card.wanted, card.stand_in):
        raise NotAllowed(problem)
    if changed := changes(card):
        raise NotAllowed(
            _("The catalogue has changed since it was proposed (%(changes)s): let it be proposed anew.")
            % {"changes": "; ".join(changed)}
        )
    card.agreed_at, card.agreed_by = at, by
    card.save(update_fields=["agreed_at", "agreed_by"])
    return card


@transaction.atomic
def end(card: Substitution, *, by, at: datetime, note: str = "") -> Substitution:
    """Take a card out of use: a clinician refuses it, its proposer withdraws it, or anybody ends an agreed one early.

    Raises NotAllowed where somebody else would withdraw what waits, ValidationError for a note that names a person.
    """
    card = _locked(card)
    if card.ended_at is not None:
        return card
    if card.agreed_at is None and card.proposed_by_id != by.pk and not is_clinician(by):
        raise NotAllowed(_("A clinician refuses it, or whoever proposed it withdraws it."))
    card.ended_at, card.ended_by, card.ending_note = at, by, note.strip()
    card.full_clean()
    card.save()
    return card


def is_clinician(user) -> bool:
    return user.groups.filter(name=CLINICIAN).exists()


def active(department: Department, *, on: date) -> list[Substitution]:
    """Cards that hold on a day: agreed, not ended, not run out, and the catalogue says what it said then. One query."""
    agreed = Substitution.objects.filter(department=department, agreed_at__isnull=False, ended_at=None, until__gte=on)
    cards = agreed.select_related("wanted", "stand_in", "agreed_by").order_by("wanted", "until", "pk")
    return [card for card in cards if not changes(card) and not forbidden(card.wanted, card.stand_in)]


def left_behind(department: Department, *, on: date) -> list[Substitution]:
    """Open cards that the catalogue has left behind: nobody is shown them any more until they are proposed anew."""
    still_open = Substitution.objects.filter(department=department, ended_at=None, until__gte=on)
    cards = still_open.select_related("wanted", "stand_in", "agreed_by", "proposed_by")
    return [card for card in cards if changes(card)]


def changes(card: Substitution) -> list[str]:
    """What the catalogue says otherwise than when the card was proposed, in words; nothing while the card is true.

    Size, connector, latex and single use count, of either line: whoever agreed knew others.
    """
    found = []
    for line, then in ((card.wanted, card.stated.get("wanted", {})), (card.stand_in, card.stated.get("stand_in", {}))):
        for name, was in then.items():
            now = getattr(line, name)
            if now.strip().casefold() != was.strip().casefold():
                words = {"line": line.label, "now": _said(line, name, now), "was": _said(line, name, was)}
                found.append(_CHANGED[name] % words)
    return found


_CHANGED = {
    "size": gettext_lazy("size of %(line)s: %(now)s, was %(was)s"),
    "connector": gettext_lazy("connector of %(line)s: %(now)s, was %(was)s"),
    "latex": gettext_lazy("latex of %(line)s: %(now)s, was %(was)s"),
    "single_use": gettext_lazy("use of %(line)s: %(now)s, was %(was)s"),
}


def _said(line: Consumable, name: str, value: str) -> str:
    """A value of the catalogue in words, as its own field says it."""
    words = dict(line._meta.get_field(name).flatchoices).get(value, value)
    return str(words) or _("not stated")


def by_wanted(cards: Iterable[Substitution]) -> dict[int, list[Substitution]]:
    """Cards by the primary key of the line that they stand in for."""
    found: dict[int, list[Substitution]] = defaultdict(list)
    for card in cards:
        found[card.wanted_id].append(card)
    return dict(found)


def state(card: Substitution, *, on: date) -> str:
    """How a card stands: "waits", "holds", "left behind", "ran out", "refused", "withdrawn" or "ended"."""
    if card.ended_at is not None:
        if card.agreed_at is not None:
            return "ended"
        return "withdrawn" if card.ended_by_id == card.proposed_by_id else "refused"
    if card.until < on:
        return "ran out"
    if changes(card):
        return "left behind"
    return "holds" if card.agreed_at is not None else "waits"


def _locked(card: Substitution) -> Substitution:
    cards = Substitution.objects.select_for_update(of=("self",), no_key=True)
    return cards.select_related("department", "wanted", "stand_in").get(pk=card.pk)


def _end_what_holds_no_more(wanted: Consumable, stand_in: Consumable, *, by, at: datetime) -> None:
    """A card that ran out, or that the catalogue has left behind, is still open; the next one of the pair closes it."""
    cards = Substitution.objects.filter(wanted=wanted, stand_in=stand_in, ended_at=None)
    for card in cards.select_related("wanted", "stand_in"):
        if card.until < wanted.department.local_date(at):
            note = _("ran out")
        elif changes(card):
            note = _("the catalogue changed")
        else:
            continue
        Substitution.objects.filter(pk=card.pk).update(ended_at=at, ended_by=by, ending_note=note)


def _stated(line: Consumable) -> dict[str, str]:
    return {name: getattr(line, name) for name in COMPARED}
