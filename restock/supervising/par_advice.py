"""Par advice that waits to be answered: worked out on demand, then taken, changed or refused, one or many at once.

What was refused is not proposed again as long as both the par and the advice are the same.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime

import numpy as np
from django.core.exceptions import ValidationError
from django.db import transaction
from django.db.models import F, QuerySet
from django.utils.translation import gettext as _

from inventory.in_parts import in_parts
from inventory.models import Department

from ..advising.pars import ParAdvice, advise_pars
from ..learning.tallies import bring_forward
from ..models import AdvisedPar, ParAdviceRun, ParChange
from ..models.notes import about_stock_only
from ..setting_up.par_changes import NewPar, ParRefused, change_pars

Answer = AdvisedPar.Answer
ANSWER_FIELDS = ["answer", "answered_by", "answered_at", "note"]


@dataclass(frozen=True)
class Said:
    """What a person answers to one proposal. par: None to refuse it, the advised number or another one to take it."""

    advised_id: int
    par: int | None
    note: str = ""


@dataclass(frozen=True)
class Answered:
    """Proposals that were answered now, and in words why others were not."""

    taken: tuple[AdvisedPar, ...]
    refused: tuple[AdvisedPar, ...]
    problems: tuple[str, ...]


def work_out(department: Department, *, today: date, at: datetime, by=None) -> ParAdviceRun:
    """Learn what is new, work the advice out and keep every line whose par it would change.

    Raises ValueError without a day to go by.
    """
    bring_forward(department=department, at=at)
    return keep_advice(department, advise_pars(department, today=today), at=at, by=by)


@transaction.atomic
def keep_advice(department: Department, advice: ParAdvice, *, at: datetime, by=None) -> ParAdviceRun:
    """Keep advice that was worked out, with the answers that still hold."""
    run = ParAdviceRun.objects.create(
        department=department,
        made_at=at,
        by=by,
        first_day=advice.days[0],
        last_day=advice.days[-1],
        days=len(advice.days),
        lines=len(advice.lines),
    )
    refused = _refused_before(department)
    now, then = advice.now, advice.then
    days_short_now, days_short_then = now.days_short, then.days_short
    on_hand_now, on_hand_then = now.mean_on_hand, then.mean_on_hand
    rows = []
    for n in np.flatnonzero(advice.advised != advice.par):
        line, par, advised = advice.lines[n], int(advice.par[n]), int(advice.advised[n])
        rows.append(
            AdvisedPar(
                run=run,
                stocking_line=line,
                par=par,
                advised=advised,
                service_level=float(advice.service_level[n]),
                p_short_now=float(advice.p_short_now[n]),
                p_short_advised=float(advice.p_short_advised[n]),
                days_short_now=int(days_short_now[n]),
                days_short_advised=int(days_short_then[n]),
                on_hand_now=float(on_hand_now[n]),
                on_hand_advised=float(on_hand_then[n]),
                reason=advice.reasons[n],
                **refused.get((line.pk, par, advised), {}),
            )
        )
    AdvisedPar.objects.bulk_create(rows, batch_size=500)
    return run


def open_advice(run: ParAdviceRun) -> QuerySet[AdvisedPar]:
    """What nobody answered yet and still speaks of the par that counts."""
    return AdvisedPar.objects.filter(run=run, answer=Answer.OPEN, par=F("stocking_line__par"))


@transaction.atomic
def answer(run: ParAdviceRun, said: Iterable[Said], *, by, at: datetime) -> Answered:
    """Answer proposals, each on its own: one that cannot be taken does not hold up the others.

    The number of queries grows with the proposals only where the database limits what one may hold.
    """
    said = list(said)
    waiting: dict[int, AdvisedPar] = {}
    for some in in_parts(sorted({one.advised_id for one in said})):
        locked = AdvisedPar.objects.select_for_update(no_key=True).filter(run=run, answer=Answer.OPEN, pk__in=some)
        waiting |= {advised.pk: advised for advised in locked.order_by("pk")}
    taking, wanted, refused, problems = [], [], [], []
    for one in said:
        advised = waiting.pop(one.advised_id, None)
        if problem := _problem(advised, one):
            problems.append(problem)
            continue
        note = one.note.strip()
        advised.answered_by, advised.answered_at, advised.note = by, at, note
        if one.par is None:
            advised.answer = Answer.REFUSED
            refused.append(advised)
        else:
            advised.answer = Answer.ACCEPTED if one.par == advised.advised else Answer.CHANGED
            taking.append(advised)
            wanted.append(NewPar(advised.stocking_line_id, one.par, note or _reason(run, advised), seen=advised.par))
    taken = _change(taking, wanted, problems, by=by, at=at)
    AdvisedPar.objects.bulk_update([*taken, *refused], ANSWER_FIELDS)
    return Answered(tuple(taken), tuple(refused), tuple(problems))


def _problem(advised: AdvisedPar | None, said: Said) -> str | None:
    if advised is None:
        return _("One of these was answered meanwhile, or is of older advice: look at the list again.")
    try:
        about_stock_only(said.note)
    except ValidationError as error:
        return error.messages[0]
    return None


def _change(
    advised: list[AdvisedPar], wanted: list[NewPar], problems: list[str], *, by, at: datetime
) -> list[AdvisedPar]:
    """Those of the proposals whose par was changed; in `problems`, why others were not."""
    changes = change_pars(wanted, origin=ParChange.Origin.ADVICE, by=by, at=at)
    problems += [str(change) for change in changes if isinstance(change, ParRefused)]
    return [one for one, change in zip(advised, changes, strict=True) if isinstance(change, ParChange)]


def _reason(run: ParAdviceRun, advised: AdvisedPar) -> str:
    return _("advice of %(made_at)s from %(days)s operating days: %(advised)s") % {
        "made_at": run.department.local_date(run.made_at),
        "days": run.days,
        "advised": advised.advised,
    }


def _refused_before(department: Department) -> dict[tuple[int, int, int], dict]:
    """Who refused what, by line, par and advised par; the latest refusal counts."""
    before = AdvisedPar.objects.filter(run__department=department, answer=Answer.REFUSED).order_by("answered_at")
    return {
        (one.stocking_line_id, one.par, one.advised): {
            "answer": one.answer,
            "answered_by_id": one.answered_by_id,
            "answered_at": one.answered_at,
            "note": one.note,
        }
        for one in before
    }


def reopen_together(run: ParAdviceRun, answered_at: datetime, *, by, at: datetime) -> Answered:
    """Take back everything that was answered at one instant; each on its own, as in `answer`."""
    return _reopen(AdvisedPar.objects.filter(run=run, answered_at=answered_at), by=by, at=at)


def reopen(advised: AdvisedPar, *, by, at: datetime) -> AdvisedPar:
    """Take an answer back: a par that was taken becomes what it was, and the proposal is open again.

    Raises ParRefused where the par was changed again since.
    """
    reopened = _reopen(AdvisedPar.objects.filter(pk=advised.pk), by=by, at=at)
    if reopened.problems:
        raise ParRefused(reopened.problems[0])
    return reopened.taken[0] if reopened.taken else advised


@transaction.atomic
def _reopen(proposals: QuerySet[AdvisedPar], *, by, at: datetime) -> Answered:
    locked = (
        proposals.exclude(answer=Answer.OPEN)
        .select_for_update(of=("self",), no_key=True)
        .select_related("stocking_line")
    )
    answered = list(locked.order_by("pk"))
    advice = ParChange.objects.filter(
        origin=ParChange.Origin.ADVICE, at__in={advised.answered_at for advised in answered}
    )
    became = {(change.place_id, change.consumable_id, change.at): change.par_after for change in advice}
    refused = [advised for advised in answered if advised.answer == Answer.REFUSED]
    taken = [advised for advised in answered if advised.answer != Answer.REFUSED]
    wanted = [
        NewPar(
            advised.stocking_line_id,
            advised.par,
            _("the answer to the advice was taken back"),
            seen=became.get((line.place_id, line.consumable_id, advised.answered_at)),
        )
        for advised in taken
        for line in [advised.stocking_line]
    ]
    problems: list[str] = []
    reopened = [*_change(taken, wanted, problems, by=by, at=at), *refused]
    for advised in reopened:
        advised.answer, advised.answered_by, advised.answered_at, advised.note = Answer.OPEN, None, None, ""
    AdvisedPar.objects.bulk_update(reopened, ANSWER_FIELDS)
    return Answered(tuple(reopened), (), tuple(problems))
