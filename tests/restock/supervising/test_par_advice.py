"""Par advice that waits: kept with its effect, answered once, and not proposed again once refused."""

from datetime import date

import numpy as np
import pytest
from django.db import IntegrityError
from django.utils import timezone

from restock.advising.pars import ParAdvice
from restock.forecasting.levels import run_policy
from restock.models import AdvisedPar, ParChange
from restock.supervising.par_advice import Said, answer, keep_advice
from tests.factories import StockingLineFactory

DAYS = (date(2026, 3, 2), date(2026, 3, 3))
USED = np.array([[7, 1], [2, 1]])


@pytest.fixture
def advise(department, cart):
    """`advise([8, 5])`: advice for two lines of par 5 that used 7 and 1 on the first day, 2 and 1 on the second."""
    lines = tuple(StockingLineFactory(place=cart, par=5) for _ in range(2))

    def advised(pars):
        par = np.array([line.par for line in lines])
        pars = np.array(pars)
        return keep_advice(
            department,
            ParAdvice(
                lines=lines, days=DAYS, service_level=np.full(2, 0.95), par=par, needed=pars, advised=pars,
                p_short_now=np.array([0.3, 0.0]), p_short_advised=np.array([0.04, 0.0]), now=run_policy(par, USED),
                then=run_policy(pars, USED), reasons=("Par 5 covers only 70 of 100 days.", ""),
            ),
            at=timezone.now(),
        )  # fmt: skip

    return advised


def test_only_lines_that_should_change_are_kept_with_what_it_would_have_changed(advise):
    [kept] = advise([8, 5]).pars.all()

    assert (kept.par, kept.advised) == (5, 8)
    assert (kept.days_short_now, kept.days_short_advised) == (1, 0)  # 7 were used on the first day
    assert (kept.on_hand_now, kept.on_hand_advised) == (5.0, 8.0)


def test_refused_advice_is_proposed_again_only_when_it_says_something_else(advise, supervisor):
    run = advise([8, 5])
    answer(run, [Said(run.pars.get().pk, None, "the list ends in May")], by=supervisor, at=timezone.now())

    same, other = advise([8, 5]).pars.get(), advise([9, 5]).pars.get()

    assert (same.answer, same.answered_by, same.note) == ("refused", supervisor, "the list ends in May")
    assert other.answer == "open"


def test_answer_counts_once(advise, supervisor):
    run = advise([8, 5])
    said = [Said(run.pars.get().pk, 8)]

    first = answer(run, said, by=supervisor, at=timezone.now())
    second = answer(run, said, by=supervisor, at=timezone.now())

    assert len(first.taken) == 1
    assert (second.taken, len(second.problems)) == ((), 1)
    assert ParChange.objects.count() == 1


def test_answer_to_older_advice_is_refused(advise, supervisor):
    old, new = advise([8, 5]), advise([9, 5])

    answered = answer(new, [Said(old.pars.get().pk, 8)], by=supervisor, at=timezone.now())

    assert "older advice" in answered.problems[0]


def test_an_answer_names_who_and_when(advise):
    advised = advise([8, 5]).pars.get()

    with pytest.raises(IntegrityError, match="answer_names_who_and_when"):
        AdvisedPar.objects.filter(pk=advised.pk).update(answer="refused")
