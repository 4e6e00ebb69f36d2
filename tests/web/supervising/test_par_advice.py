"""Par advice: taken, refused, undone, one by one and together."""

from datetime import timedelta

import pytest
from django.urls import reverse
from django.utils import timezone

from restock import jobs
from restock.models import (
    AdvisedPar,
    ParChange,
    WorkRequest,
)
from tests.factories import (
    CaseFactory,
)

from ..test_pages import order, words


class TestParAdvice:
    def test_shows_the_effect_before_and_after_worst_first(self, supervising, add_line, advise):
        advise(add_line(name="Mild"), days_short_now=2, days_short_advised=1)
        advise(add_line(name="Grave"))

        answer = supervising.get(reverse("par-advice"))

        assert order(answer, "Mild", "Grave") == ["Grave", "Mild"]
        assert "those 20 days would have had 2 times a line short instead of 8" in words(answer)

    def test_ticked_lines_are_taken_each_with_its_own_par(self, supervising, add_line, advise, supervisor):
        one, two, left = advise(add_line()), advise(add_line()), advise(add_line())
        posted = {"run": one.run_id, "act": "ticked", "ticked": [one.pk, two.pk], f"par-{one.pk}": 9,
            f"par-{two.pk}": 7, f"par-{left.pk}": 9}  # fmt: skip

        supervising.post(reverse("answer-pars"), posted)

        answers = [AdvisedPar.objects.get(pk=advised.pk) for advised in (one, two, left)]
        assert [(a.answer, a.stocking_line.par) for a in answers] == [("accepted", 9), ("changed", 7), ("open", 5)]
        assert {(c.par_after, c.by, c.origin) for c in ParChange.objects.all()} == {
            (9, supervisor, "advice"),
            (7, supervisor, "advice"),
        }

    def test_refused_advice_changes_nothing_and_can_be_opened_again(self, supervising, add_line, advise):
        one = advise(add_line())
        supervising.post(
            reverse("answer-pars"), {"run": one.run_id, "act": "refuse", "ticked": one.pk, "note": "new list soon"}
        )
        one.refresh_from_db()
        assert (one.answer, one.note, one.stocking_line.par) == ("refused", "new list soon", 5)

        supervising.post(reverse("reopen-par", args=[one.pk]))

        one.refresh_from_db()
        assert one.answer == "open"

    def test_par_changed_since_is_left_alone_and_said(self, supervising, add_line, advise):
        stale, good = advise(add_line(name="Stale")), advise(add_line())
        stale.stocking_line.par = 6
        stale.stocking_line.save()
        posted = {"run": good.run_id, "act": "ticked", "ticked": [stale.pk, good.pk], f"par-{stale.pk}": 9,
            f"par-{good.pk}": 9}  # fmt: skip

        said = words(supervising.post(reverse("answer-pars"), posted, follow=True))

        assert "1 par changed." in said
        assert "Stale on Cart 1: par was changed from 5 to 6 meanwhile." in said
        assert stale.stocking_line.par == 6

    def test_taken_par_goes_back_on_undo(self, supervising, add_line, advise):
        one = advise(add_line())
        supervising.post(reverse("answer-pars"), {"run": one.run_id, "ticked": one.pk, f"par-{one.pk}": 9})

        supervising.post(reverse("reopen-par", args=[one.pk]))

        one = AdvisedPar.objects.get(pk=one.pk)
        assert (one.answer, one.stocking_line.par) == ("open", 5)

    def test_all_of_a_choice_are_taken_and_undone_together(self, supervising, add_line, advise):
        chosen = [advise(add_line(name=f"Bougie {n}")) for n in range(3)]
        other = advise(add_line(name="Mask"))
        form = {"run": other.run_id, "act": "choice", "chosen": "words=bougie"}

        supervising.post(reverse("answer-pars"), form)

        assert [AdvisedPar.objects.get(pk=one.pk).stocking_line.par for one in [*chosen, other]] == [9, 9, 9, 5]
        page = supervising.get(reverse("par-advice"))
        assert "The last answer was for 3 lines together." in words(page)
        together = {"run": other.run_id, "answered_at": page.context["last_at"]}
        assert "3 lines are open again." in words(supervising.post(reverse("reopen-pars"), together, follow=True))
        assert [AdvisedPar.objects.get(pk=one.pk).stocking_line.par for one in chosen] == [5, 5, 5]

    @pytest.mark.parametrize("told", ["2026-13-45T00:00:00", "2026-11-26T09:00:00", "just now"])
    def test_answers_of_no_moment_are_not_taken_back(self, supervising, add_line, advise, told):
        one = advise(add_line(name="Mask"))
        supervising.post(reverse("answer-pars"), {"run": one.run_id, "act": "choice", "chosen": "words=mask"})

        answer = supervising.post(reverse("reopen-pars"), {"run": one.run_id, "answered_at": told})

        assert answer.status_code == 302
        assert AdvisedPar.objects.get(pk=one.pk).stocking_line.par == 9

    def test_advice_about_a_par_that_changed_since_is_not_shown(self, supervising, add_line, advise):
        stale = advise(add_line(name="Stale"))
        stale.stocking_line.par = 6
        stale.stocking_line.save()

        assert "Stale" not in supervising.get(reverse("par-advice")).text

    def test_without_any_day_to_learn_from_it_says_what_is_needed(self, supervising, plan):
        assert "It needs days with a case list and logged cases." in words(supervising.get(reverse("par-advice")))

    def test_working_it_out_is_watched_from_the_page_and_says_why_where_it_cannot(
        self, supervising, department, plan, room
    ):
        logged = CaseFactory(room=room, date=plan.for_date + timedelta(days=1), logged_at=timezone.now())

        page = supervising.post(reverse("work-out-pars"), follow=True)

        assert "Waits for its turn" in words(page)
        assert "You can leave this page" in words(page)
        assert "Work it out" not in words(page)
        address = reverse("work", args=["pars"])
        assert f'hx-get="{address}"' in page.text
        assert "Waits for its turn" in words(supervising.get(address, headers={"HX-Request": "true"}))
        jobs.work_off(department)
        assert supervising.get(address, headers={"HX-Request": "true"})["HX-Refresh"] == "true"
        assert "log a few cases first" in words(supervising.get(reverse("par-advice")))
        assert logged.department == department

    def test_work_whose_server_was_stopped_can_be_asked_for_again(self, supervising, department, plan, room):
        CaseFactory(room=room, logged_at=timezone.now())
        supervising.post(reverse("work-out-pars"))
        WorkRequest.objects.update(state="running", alive_at=timezone.now() - timedelta(minutes=2))

        page = supervising.get(reverse("par-advice"))

        assert "The server was stopped in the middle of it." in words(page)
        assert "Waits for its turn" in words(supervising.post(reverse("work-out-pars"), follow=True))
