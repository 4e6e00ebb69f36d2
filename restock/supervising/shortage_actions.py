"""What can be done on the spot about a line that stays short, each act with its trace, and each one to be taken back.

Every act carries a `key` made with its form: the same key again is the same act, and the first one stands.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime

from django.db import transaction
from django.db.models import Max, Sum
from django.utils.translation import gettext as _

from inventory import ledger
from inventory.models import Count, Holding, Place, StockingLine

from ..cases.fetching import pieces_carried
from ..models import ParChange, Pick, Plan, PlanLine, ShortageAction
from ..setting_up.par_changes import ParRefused, change_par

Kind = ShortageAction.Kind


class NotDone(ValueError):
    """Nothing was written; the message says to a person why."""


@dataclass(frozen=True)
class Spare:
    """A place that holds more of a line than its own day is likely to ask for.

    pieces: usable on the day. spare: of these beyond the place's own likely need and floor; in a storeroom beyond what
    tonight's open picks take.
    """

    place: Place
    pieces: int
    spare: int
    counted_at: datetime | None


def spare_pieces(line: PlanLine) -> list[Spare]:
    """Who could give pieces to the line, storerooms first, then who has most to spare: four queries."""
    held = dict(
        Holding.objects.usable(on=line.plan.for_date)
        .filter(consumable=line.consumable_id, place__department=line.plan.department_id)
        .exclude(place=line.place_id)
        .order_by()
        .values_list("place")
        .annotate(pieces=Sum("quantity"))
    )
    needed = {
        other.place_id: max(other.q_service, other.floor)
        for other in PlanLine.objects.filter(plan=line.plan_id, consumable=line.consumable_id).only(
            "place", "q_service", "floor"
        )
    }
    open_picks = Pick.objects.filter(
        plan_line__plan=line.plan_id, plan_line__consumable=line.consumable_id, confirmed_at__isnull=True
    )
    for storeroom, pieces in open_picks.order_by().values_list("storeroom").annotate(Sum("quantity")):
        needed[storeroom] = pieces
    places = Place.objects.physical().filter(pk__in=held).order_by("walk_order", "code")
    counted = dict(
        Count.objects.filter(place__in=held, consumable=line.consumable_id)
        .order_by()
        .values_list("place")
        .annotate(Max("at"))
    )
    found = [
        Spare(place, held[place.pk], held[place.pk] - needed.get(place.pk, 0), counted.get(place.pk))
        for place in places
        if held[place.pk] > needed.get(place.pk, 0)
    ]
    return sorted(found, key=lambda one: (one.place.role != Place.Role.STOREROOM, -one.spare))


@transaction.atomic
def move_in(*, line: PlanLine, source: Place, pieces: int, by, at: datetime, key: str, note="") -> ShortageAction:
    """Record that pieces were carried from another place to the line's cart.

    Raises NotDone where the source's record holds fewer that may be used.
    """
    if known := _known(line, key):
        return known
    held = Holding.objects.filter(place=source, consumable=line.consumable_id).usable(on=line.plan.for_date)
    most = held.aggregate(pieces=Sum("quantity", default=0))["pieces"]
    if pieces > most:
        raise NotDone(
            _("The record of %(place)s holds %(most)d that may be used. If there are more, correct the count first.")
            % {"place": source, "most": max(most, 0)}
        )
    try:
        carried = pieces_carried(
            source=source,
            destination=line.place,
            consumable=line.consumable,
            quantity=pieces,
            on=line.plan.for_date,
            at=at,
            key=key,
            reason=_("moved to cover a shortage"),
        )
        ledger.record(carried, by=by)
    except ledger.Refused as problem:
        raise NotDone(str(problem)) from problem
    return _keep(line, Kind.MOVED, by=by, at=at, key=key, note=note, source=source, pieces=pieces)


@transaction.atomic
def raise_par(*, line: PlanLine, par: int, reason: str, by, at: datetime, key: str) -> ShortageAction:
    """Change the par of the line's cart from the next plan on. Raises NotDone where the par cannot be that."""
    if known := _known(line, key):
        return known
    stocking = StockingLine.objects.filter(place=line.place_id, consumable=line.consumable_id).first()
    if stocking is None:
        raise NotDone(_("The cart does not keep this line any more."))
    if par <= stocking.par:
        raise NotDone(_("Par is %(par)d: a shortage asks for more than that.") % {"par": stocking.par})
    try:
        change = change_par(line=stocking, par=par, origin=ParChange.Origin.SHORTAGE, reason=reason, by=by, at=at)
    except ParRefused as problem:
        raise NotDone(str(problem)) from problem
    return _keep(line, Kind.PAR, by=by, at=at, key=key, note=reason, par_change=change)


@transaction.atomic
def accept(*, line: PlanLine, note: str, by, at: datetime, key: str) -> ShortageAction:
    """Keep that somebody knows of the shortage and lets it be, and why."""
    if known := _known(line, key):
        return known
    if not note.strip():
        raise NotDone(_("Say why it is accepted: the next shift will ask."))
    return _keep(line, Kind.ACCEPTED, by=by, at=at, key=key, note=note.strip())


@transaction.atomic
def mark_ordered(
    *, line: PlanLine, pieces: int, expected_on: date, by, at: datetime, key: str, note=""
) -> ShortageAction:
    """Keep that pieces are on their way, and when they are expected. It orders nothing itself."""
    if known := _known(line, key):
        return known
    return _keep(line, Kind.ORDERED, by=by, at=at, key=key, note=note, pieces=pieces, expected_on=expected_on)


@transaction.atomic
def take_back(*, action: ShortageAction, by, at: datetime, key: str) -> ShortageAction:
    """Undo an act: pieces go back, a par becomes what it was, a note stands as withdrawn. Both stay visible.

    Raises NotDone for what was taken back before, for the taking back itself, once the day that it was for has passed,
    and where a par was changed again since.
    """
    action = ShortageAction.objects.select_for_update(of=("self",), no_key=True).get(pk=action.pk)
    if action.undoes_id or ShortageAction.objects.filter(undoes=action).exclude(key=key).exists():
        raise NotDone(_("This was taken back before."))
    if known := ShortageAction.objects.filter(key=key).first():
        return known
    if action.for_date < action.place.department.local_date(at):
        raise NotDone(_("The day that it was for has passed: record what is so now instead."))
    same = {"pieces": action.pieces, "source": action.source, "expected_on": action.expected_on}
    if action.kind == Kind.MOVED:
        for number, movement in enumerate(ledger.movements_of(action.key), start=1):
            ledger.reverse(
                movement=movement, by=by, at=at, key=ledger.part_key(key, number), reason=_("the move was taken back")
            )
    if action.kind == Kind.PAR:
        same["par_change"] = _par_back(action, by=by, at=at)
    return ShortageAction.objects.create(
        place=action.place,
        consumable=action.consumable,
        for_date=action.for_date,
        kind=action.kind,
        note=_("taken back"),
        by=by,
        at=at,
        key=key,
        undoes=action,
        **same,
    )


def standing_actions(plan: Plan) -> dict[tuple[int, int], list[ShortageAction]]:
    """Acts for the plan's day that were not taken back, newest first, by (place, consumable): one query."""
    actions = ShortageAction.objects.filter(
        place__department=plan.department_id, for_date=plan.for_date, undoes=None, undone_by=None
    )
    standing: dict[tuple[int, int], list[ShortageAction]] = {}
    for action in actions.select_related("source", "par_change"):
        standing.setdefault((action.place_id, action.consumable_id), []).append(action)
    return standing


def _known(line: PlanLine, key: str) -> ShortageAction | None:
    """The act that the key stands for. Of two senders of the same key the second one waits here for the first."""
    PlanLine.objects.select_for_update(of=("self",), no_key=True).only("pk").get(pk=line.pk)
    return ShortageAction.objects.filter(key=key).first()


def _keep(line: PlanLine, kind: Kind, *, by, at: datetime, key: str, note: str, **values) -> ShortageAction:
    return ShortageAction.objects.create(
        place=line.place,
        consumable=line.consumable,
        for_date=line.plan.for_date,
        kind=kind,
        by=by,
        at=at,
        key=key,
        note=note,
        **values,
    )


def _par_back(action: ShortageAction, *, by, at: datetime) -> ParChange:
    change = action.par_change
    stocking = StockingLine.objects.filter(place=action.place_id, consumable=action.consumable_id).first()
    if stocking is None:
        raise NotDone(_("The cart does not keep this line any more."))
    try:
        return change_par(
            line=stocking,
            par=change.par_before,
            origin=ParChange.Origin.SHORTAGE,
            reason=_("taken back"),
            by=by,
            at=at,
            seen=change.par_after,
        )
    except ParRefused as problem:
        raise NotDone(str(problem)) from problem
