"""What stands beside each shortage: from when it matters, how long the storerooms last, and what was done about it."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime, time

from django.db.models import Min
from django.utils import timezone
from django.utils.formats import date_format
from django.utils.translation import gettext as _
from django.utils.translation import ngettext

from inventory.models import Department
from inventory.orders import Coming, coming
from restock.cases.routes import Routes, routes
from restock.models import Case, Plan, PlanLine, Shortage, ShortageAction, StoreroomCover
from restock.plans.missing import p_short_as_it_will_stand
from restock.plans.stock import after_tonight
from restock.supervising.shortage_actions import standing_actions

from .order_words import coming_words

Kind = ShortageAction.Kind


@dataclass(frozen=True)
class ShortageFacts:
    """For every line of a plan that stays short, what the list says of it."""

    reach: Routes
    first_start: dict[int, time | None]
    covers: dict[int, tuple[StoreroomCover, ...]]
    actions: dict[tuple[int, int], list[ShortageAction]]
    after: dict[tuple[int, int], int]
    coming: dict[int, list[Coming]]

    def on_order(self, line: PlanLine) -> list[str]:
        """Open orders of the line to any storeroom, soonest first: "20, Thu 27 Nov"."""
        return [coming_words(due) for due in self.coming.get(line.consumable_id, ())]

    def after_tonight(self, line: PlanLine) -> int:
        """Usable pieces once all that can still come has been carried; what was not found will not."""
        return self.after.get((line.place_id, line.consumable_id), 0)

    def p_short(self, shortage: Shortage) -> float:
        """The chance that the line runs short then."""
        return p_short_as_it_will_stand(shortage, self.after_tonight(shortage.plan_line))

    def first_case(self, line: PlanLine) -> time | None:
        """When the first listed case starts whose room reaches to the line, as far as starts are booked."""
        rooms = (room for room in self.first_start if self.reach.cart_id(room, line.consumable_id) == line.place_id)
        return min((start for room in rooms if (start := self.first_start[room])), default=None)

    def cover(self, line: PlanLine) -> str:
        """How long the storerooms' pieces are likely to last, empty where nobody worked it out."""
        covers = self.covers.get(line.consumable_id, ())
        words = [cover_words(cover.low, cover.high, cover.open_ended) for cover in covers]
        if len(set(words)) == 1:
            return words[0]
        return "; ".join(f"{cover.place.name} {said}" for cover, said in zip(covers, words, strict=True))

    def acts(self, line: PlanLine) -> list[ShortageAction]:
        """What was done about it and still stands, newest first."""
        return self.actions.get((line.place_id, line.consumable_id), [])


def shortage_facts(plan: Plan, consumable_ids: Iterable[int]) -> ShortageFacts:
    """Twelve queries, whatever the number of lines."""
    department, consumable_ids = plan.department, list(consumable_ids)
    listed = Case.objects.filter(department=department, date=plan.for_date).exclude(status=Case.Status.CANCELLED)
    starts = listed.order_by().values_list("room").annotate(Min("starts_at"))
    covers = defaultdict(list)
    kept = StoreroomCover.objects.filter(place__department=department, consumable__in=consumable_ids)
    for cover in kept.select_related("place").order_by("place__walk_order", "place__code"):
        covers[cover.consumable_id].append(cover)
    due: dict[int, list[Coming]] = defaultdict(list)
    for one in coming(department, today=department.local_date(timezone.now())):
        due[one.consumable_id].append(one)
    return ShortageFacts(
        reach=routes(department),
        first_start=dict(starts),
        covers={consumable: tuple(rows) for consumable, rows in covers.items()},
        actions=standing_actions(plan),
        after=after_tonight(plan, consumable_ids),
        coming=due,
    )


def cover_made_at(department: Department) -> datetime | None:
    """When the days of cover were last worked out."""
    cover = StoreroomCover.objects.filter(place__department=department).order_by("-made_at").first()
    return cover.made_at if cover else None


def cover_words(low: int, high: int, open_ended: bool) -> str:
    """Days of cover as a range: "2 to 5 days", "14 days or more"; "none to spare" where the carts are owed it all."""
    if high == 0:
        return _("none to spare")
    if low == high:
        if open_ended:
            return ngettext("%(days)d day or more", "%(days)d days or more", low) % {"days": low}
        return ngettext("%(days)d day", "%(days)d days", low) % {"days": low}
    words = _("%(low)d to %(high)d days or more") if open_ended else _("%(low)d to %(high)d days")
    return words % {"low": low, "high": high}


def act_words(action: ShortageAction) -> str:
    """What was done, in a few words."""
    if action.kind == Kind.MOVED:
        return _("%(pieces)d moved from %(place)s") % {"pieces": action.pieces, "place": action.source}
    if action.kind == Kind.ORDERED:
        return _("%(pieces)d ordered, expected %(day)s") % {
            "pieces": action.pieces,
            "day": short_day(action.expected_on),
        }
    if action.kind == Kind.PAR:
        change = action.par_change
        return _("par %(before)d to %(after)d") % {"before": change.par_before, "after": change.par_after}
    return _("accepted")


def short_day(day: date) -> str:
    return date_format(day, _("D j M"))
