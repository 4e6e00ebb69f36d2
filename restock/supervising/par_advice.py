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

from inventory.models import Department

from ..advising.pars import ParAdvice, advise_pars
from ..learning.tallies import bring_forward
from ..models import AdvisedPar, ParAdviceRun, ParChange
from ..models.notes import about_stock_only
from ..setting_up.par_changes import ParRefused, change_par

Answer = AdvisedPar.Answer


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


def answer(run: ParAdviceRun, said: Iterable[Said], *, by, at: datetime) -> Answered:
    """Answer proposals, each on its own: one that cannot be taken does not hold up the others."""
    taken, refused, problems = [], [], []
    for one in said:
        try:
            advised = _answer(run, one, by=by, at=at)
        except ParRefused as problem:
            problems.append(str(problem))
        else:
            (refused if advised.answer == Answer.REFUSED else taken).append(advised)
    return Answered(tuple(taken), tuple(refused), tuple(problems))


@transaction.atomic
def _answer(run: ParAdviceRun, said: Said, *, by, at: datetime) -> AdvisedPar:
    proposals = AdvisedPar.objects.select_for_update(of=("self",)).select_related("stocking_line")
    advised = proposals.filter(run=run, pk=said.advised_id).first()
    if advised is None or advised.answer != Answer.OPEN:
        raise ParRefused(_("One of these was answered meanwhile, or is of older advice: look at the list again."))
    try:
        about_stock_only(said.note)
    except ValidationError as error:
        raise ParRefused(error.messages[0]) from None
    if said.par is None:
        advised.answer = Answer.REFUSED
    else:
        advised.answer = Answer.ACCEPTED if said.par == advised.advised else Answer.CHANGED
        change_par(
            line=advised.stocking_line,
            par=said.par,
            origin=ParChange.Origin.ADVICE,
            reason=said.note.strip() or _reason(run, advised),
            by=by,
            at=at,
            seen=advised.par,
        )
    advised.answered_by, advised.answered_at, advised.note = by, at, said.note.strip()
    advised.save(update_fields=["answer", "answered_by", "answered_at", "note"])
    return advised


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
    taken, problems = [], []
    for advised in AdvisedPar.objects.filter(run=run, answered_at=answered_at).exclude(answer=Answer.OPEN):
        try:
            taken.append(reopen(advised, by=by, at=at))
        except ParRefused as problem:
            problems.append(str(problem))
    return Answered(tuple(taken), (), tuple(problems))


@transaction.atomic
def reopen(advised: AdvisedPar, *, by, at: datetime) -> AdvisedPar:
    """Take an answer back: a par that was taken becomes what it was, and the proposal is open again.

    Raises ParRefused where the par was changed again since.
    """
    proposals = AdvisedPar.objects.select_for_update(of=("self",)).select_related("stocking_line")
    advised = proposals.get(pk=advised.pk)
    if advised.answer == Answer.OPEN:
        return advised
    if advised.answer != Answer.REFUSED:
        taken = ParChange.objects.filter(
            place=advised.stocking_line.place_id,
            consumable=advised.stocking_line.consumable_id,
            origin=ParChange.Origin.ADVICE,
            at=advised.answered_at,
        ).first()
        change_par(
            line=advised.stocking_line,
            par=advised.par,
            origin=ParChange.Origin.ADVICE,
            reason=_("the answer to the advice was taken back"),
            by=by,
            at=at,
            seen=taken and taken.par_after,
        )
    advised.answer, advised.answered_by, advised.answered_at, advised.note = Answer.OPEN, None, None, ""
    advised.save(update_fields=["answer", "answered_by", "answered_at", "note"])
    return advised
