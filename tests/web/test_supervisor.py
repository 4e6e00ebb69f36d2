"""What a supervisor sees before it hurts, and what can be done about it from the page."""

import re
from datetime import timedelta

import pytest
from django.urls import reverse
from django.utils import timezone

from inventory import ledger
from inventory.models import Section
from restock import jobs
from restock.evening.picking import Said, save_picks
from restock.forecasting.usage import METHOD
from restock.learning.tallies import bring_forward
from restock.models import (
    AdvisedPar,
    Calibration,
    CaptureRate,
    Fit,
    Judgement,
    LineDrift,
    ParAdviceRun,
    ParChange,
    RuleScore,
    ShortageAction,
    StoreroomCover,
    UsageRecord,
    WorkRequest,
)
from restock.supervising.cover import work_out_cover
from tests.factories import (
    CartFactory,
    CaseFactory,
    CaseTypeFactory,
    ConsumableFactory,
    SetupStandardFactory,
    SizeClassFactory,
    StockingLineFactory,
)

from .test_pages import order, words
from .test_query_counts import queries


@pytest.fixture
def supervising(client, supervisor):
    client.force_login(supervisor)
    return client


@pytest.fixture
def advise(department, supervisor, today):
    """`advise(line, par=9)`: an open proposal about a plan line, in one run."""

    def make(line, par=9, **values):
        run, _ = ParAdviceRun.objects.get_or_create(
            department=department, defaults={"made_at": timezone.now(), "by": supervisor, "first_day": today,
            "last_day": today, "days": 20, "lines": 60},
        )  # fmt: skip
        figures = {
            "par": 5, "service_level": 0.95, "p_short_now": 0.3, "p_short_advised": 0.04, "days_short_now": 6,
            "days_short_advised": 1, "on_hand_now": 5, "on_hand_advised": 9, "reason": "Par 5 covers only 70.",
        }  # fmt: skip
        stocking = line.place.stocking_lines.get(consumable=line.consumable)
        return AdvisedPar.objects.create(run=run, stocking_line=stocking, advised=par, **(figures | values))

    return make


@pytest.fixture
def judged(department, today):
    """`judged(lines)`: what a backtest and a refit keep about so many lines."""

    def keep(lines):
        now, span = timezone.now(), {"first_day": today, "last_day": today}
        Judgement.objects.filter(department=department).delete()
        judgement = Judgement.objects.create(
            department=department, judged_at=now, evenings=20, lines=60, brier=0.01, calibration_error=0.002,
            levels=[[0.9, 0.92, 0.915, 0.9, 0.93], [0.95, 0.961, 0.948, 0.94, 0.957]],
            tenths=[[0.08, 0.07, 0.09]] * 9 + [[0.28, 0.2, 0.31]], **span,
        )  # fmt: skip
        fit, _ = Fit.objects.get_or_create(
            department=department, defaults={"method": METHOD, "fitted_at": now, "records": 1}
        )
        RuleScore.objects.create(judgement=judgement, rule="par as it is", score="CRPS", ratio=0.8, low=0.7, high=0.9)
        for _ in range(lines):
            line = ConsumableFactory()
            Calibration.objects.create(
                department=department, kind=line.code, rows=9, gap_90=0.01, gap_95=-0.02, gap_99=0, passed=False,
                judged_at=now, **span,
            )  # fmt: skip
            LineDrift.objects.create(
                judgement=judgement, consumable=line, used_per_day=7.2, forecast_per_day=4.1, p_value=0.001
            )
            CaptureRate.objects.create(
                fit=fit, consumable=line, spans=3, gone=40, logged=30, mean=0.75, low=0.6, high=0.86
            )
        return judgement

    return keep


class TestShortages:
    def test_say_from_when_how_long_the_storeroom_lasts_and_what_was_done(
        self, supervising, add_shortage, room, storeroom, tomorrow, supervisor
    ):
        line = add_shortage(name="Bougie").plan_line
        CaseFactory(room=room, date=tomorrow, order=1, starts_at="08:15")
        StoreroomCover.objects.create(
            place=storeroom, consumable=line.consumable, usable=9, low=2, likely=4, high=14, open_ended=True,
            made_at=timezone.now(),
        )  # fmt: skip
        ShortageAction.objects.create(
            place=line.place, consumable=line.consumable, for_date=tomorrow, kind="accepted", note="known",
            by=supervisor, at=timezone.now(), key="accepted-it",
        )  # fmt: skip

        said = words(supervising.get(reverse("shortages")))

        assert "08:15 Too few for all. Storerooms last: 2 to 14 days or more. accepted Look or undo" in said

    def test_tell_what_may_run_short_from_what_is_only_below_par(self, supervising, add_shortage, technician):
        add_shortage(name="Risky")
        calm = add_shortage(name="Calm").plan_line
        ledger.receive(
            place=calm.place, consumable=calm.consumable, quantity=5, by=technician, at=timezone.now(), key="five"
        )

        said = words(supervising.get(reverse("shortages")))

        assert "1 of them may run short on more than 1 in 100 such days" in said
        assert re.search(r"Calm only below par", said)
        assert "Risky only below par" not in said

    def test_after_tonight_leaves_out_what_could_not_be_found(self, supervising, add_shortage, storeroom, technician):
        line = add_shortage(name="Bougie", on_hand=0).plan_line
        ledger.receive(
            place=storeroom, consumable=line.consumable, quantity=2, by=technician, at=timezone.now(), key="two"
        )
        pick = line.picks.create(storeroom=storeroom, quantity=2)
        assert "2 on hand" in supervising.get(reverse("shortages")).text

        save_picks(
            [Said(pick_id=pick.pk, picked=1, seen=None, rest_not_found=True)],
            department=line.plan.department, by=technician, at=timezone.now(),
        )  # fmt: skip

        answer = supervising.get(reverse("shortages"))
        assert "1 on hand" in answer.text
        # 1 piece covers 0.05 + 0.15 of the days of the invented demand.
        assert "20" in words(answer).split("Bougie")[1].split("Too few")[0].split()

    def test_booked_demand_that_no_cart_keeps_is_named_with_where_to_fetch_it(
        self, supervising, plan, add_line, room, tomorrow
    ):
        add_line()
        CaseFactory(room=room, date=tomorrow, order=1)
        entry = {
            "room": "OR-1",
            "code": "X",
            "name": "X Scope",
            "cases": 2,
            "mean": 2.0,
            "fetch_from": "Main storeroom",
        }
        plan.inputs["out_of_reach"] = [entry | {"pharmacy": False}]
        plan.save()

        for address in (reverse("shortages"), reverse("room-ahead", args=[room.pk])):
            assert re.search(r"X Scope (OR-1 )?2 2\.0 fetch from Main storeroom", words(supervising.get(address)))
        assert "1 line on no cart in reach" in words(supervising.get(reverse("rooms-ahead")))

    def test_page_offers_what_others_can_spare_and_moves_it(self, supervising, add_shortage, add_line, technician):
        line = add_shortage(name="Bougie").plan_line
        other = CartFactory(name="Cart 2", room=None)
        add_line(line.consumable, place=other, q_service=1, q50=1)
        ledger.receive(
            place=other, consumable=line.consumable, quantity=4, by=technician, at=timezone.now(), key="four"
        )
        address = reverse("shortage", args=[line.pk])
        assert "Cart 2: 3 to spare" in words(supervising.get(address))
        form = {"kind": "moved", "key": "form-key-1", "source": other.pk, "pieces": 2}

        for _ in range(2):
            supervising.post(reverse("act-on-shortage", args=[line.pk]), form)

        assert line.place.on_hand(line.consumable) == 2
        assert "2 moved from Cart 2" in words(supervising.get(address))
        action = ShortageAction.objects.get()
        supervising.post(reverse("undo-action", args=[line.pk, action.pk]), {"key": "undo-key-1"})
        assert line.place.on_hand(line.consumable) == 0
        assert "Taken back: 2 moved from Cart 2" in words(supervising.get(address))

    def test_place_with_most_to_spare_is_chosen_with_as_many_pieces_as_it_spares(
        self, supervising, add_shortage, add_line, technician
    ):
        line = add_shortage(name="Bougie").plan_line
        for name, pieces in (("Cart 2", 2), ("Cart 3", 4)):
            other = CartFactory(name=name, room=None)
            add_line(line.consumable, place=other, q_service=1, q50=1)
            ledger.receive(
                place=other, consumable=line.consumable, quantity=pieces, by=technician, at=timezone.now(), key=name
            )

        page = supervising.get(reverse("shortage", args=[line.pk])).content.decode()

        assert f'<option value="{other.pk}" selected>Cart 3: 3 to spare</option>' in page
        assert re.search(r'name="pieces" value="(2|3)"', page)

    def test_refused_act_says_why_and_keeps_what_was_typed(self, supervising, add_shortage):
        line = add_shortage().plan_line
        form = {"kind": "par", "key": "form-key-1", "par": 3, "reason": "we ran out twice"}

        answer = supervising.post(reverse("act-on-shortage", args=[line.pk]), form)

        assert answer.status_code == 400
        assert "Par is 5: a shortage asks for more than that." in words(answer)
        assert "we ran out twice" in answer.text

    def test_order_expected_in_the_past_is_refused(self, supervising, add_shortage, today):
        line = add_shortage().plan_line
        form = {"kind": "ordered", "key": "form-key-1", "pieces": 3, "expected_on": today - timedelta(days=1)}

        assert "This day has passed" in words(supervising.post(reverse("act-on-shortage", args=[line.pk]), form))
        assert not ShortageAction.objects.exists()

    def test_technician_reads_why_and_is_offered_nothing_to_decide(self, signed_in, add_shortage):
        line = add_shortage(reason="Only one in the storeroom.").plan_line

        said = words(signed_in.get(reverse("shortage", args=[line.pk])))

        assert "Only one in the storeroom." in said
        assert "Raise par" not in said

    def test_line_that_is_not_short_has_no_such_page(self, supervising, add_line):
        assert supervising.get(reverse("shortage", args=[add_line().pk])).status_code == 404


class TestRoomsAhead:
    @pytest.fixture
    def listed(self, room, tomorrow):
        return CaseFactory(room=room, date=tomorrow, order=1)

    def test_say_by_section_what_is_missing_or_short(self, signed_in, add_line, cart, technician, listed):
        add_line(name="Bougie", section=Section.AIRWAY)
        held = add_line(name="Cannula", section=Section.IV)
        ledger.count(
            place=cart, consumable=held.consumable, counted=2, by=technician, key="c",
            at=timezone.now() - timedelta(hours=9, minutes=3),
        )  # fmt: skip

        said = words(signed_in.get(reverse("rooms-ahead")))
        of_room = words(signed_in.get(reverse("room-ahead", args=[listed.room_id])))

        assert "In 1 room of 1 something is missing or may run short." in said
        assert re.search(r"OR-1 1 1 missing 1 short counted 9 h ago", said)
        assert re.search(r"Bougie 0 2 to 4 missing", of_room)
        assert re.search(r"Cannula 2 2 to 4 may run short by 2", of_room)
        assert "Machine nothing known missing" in of_room

    def test_pieces_that_tonight_brings_are_counted_in(self, signed_in, add_line, storeroom, listed):
        add_line(name="Bougie").picks.create(storeroom=storeroom, quantity=4)

        said = words(signed_in.get(reverse("room-ahead", args=[listed.room_id])))

        assert "Nothing known missing." in said
        assert re.search(r"Bougie 0 4 2 to 4 covered once brought", said)

    def test_never_say_ready(self, signed_in, add_line, cart, technician, listed):
        line = add_line()
        ledger.count(
            place=cart, consumable=line.consumable, counted=9, by=technician, at=timezone.now(), key="all there"
        )

        for address in (reverse("rooms-ahead"), reverse("room-ahead", args=[listed.room_id])):
            said = words(signed_in.get(address))
            assert "othing known missing; counted 1 min ago" in said
            assert not re.search(r"\bready\b", said, re.IGNORECASE)

    def test_shared_cart_counts_for_what_the_own_cart_does_not_keep(self, signed_in, add_line, room, listed):
        line = add_line(name="Bougie")
        shared = CartFactory(name="Airway cart", room=None, serves=[room], walk_order=9)
        add_line(line.consumable, place=shared)
        add_line(name="Scope", place=shared)

        of_room = words(signed_in.get(reverse("room-ahead", args=[room.pk])))

        assert of_room.count("Bougie") == 1
        assert "Scope" in of_room


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


class TestWhatIf:
    @pytest.fixture
    def hernia(self, department, plan, cart, room, tube, storeroom, technician):
        SizeClassFactory(is_default=True)
        StockingLineFactory(place=cart, consumable=tube, par=1)
        ledger.receive(place=storeroom, consumable=tube, quantity=20, by=technician, at=timezone.now(), key="delivery")
        case_type = CaseTypeFactory(name="Hernia")
        SetupStandardFactory(case_type=case_type, consumable=tube)
        return case_type

    def test_added_cases_raise_the_need_and_nothing_is_written(self, supervising, hernia, room, department):
        before = department.cases.count()

        said = words(
            supervising.post(
                reverse("what-if"),
                {
                    "add_room": room.pk,
                    "add_case_type": hernia.pk,
                    "add_size_class": department.size_classes.get().pk,
                    "add_count": 4,
                },
            )
        )

        assert "1 line would be planned otherwise. Cases on the list: 0 → 4." in said
        assert department.cases.count() == before

    @pytest.mark.parametrize("change", ["close_room", "cancel_room"])
    def test_room_without_its_list_needs_less(self, supervising, hernia, room, tomorrow, change):
        for number in (1, 2, 3):
            CaseFactory(room=room, date=tomorrow, order=number, case_type=hernia)

        assert "Cases on the list: 3 → 0." in words(supervising.post(reverse("what-if"), {change: room.pk}))

    def test_back_ordered_line_stays_short(self, supervising, hernia, room, tube, tomorrow):
        CaseFactory(room=room, date=tomorrow, order=1, case_type=hernia)

        assert "Lines that stay short: 0 → 1." in words(supervising.post(reverse("what-if"), {"back_order": tube.pk}))

    def test_late_delivery_names_the_storerooms_that_would_not_last(
        self, supervising, hernia, department, room, tube, storeroom, today
    ):
        """Three cases on each of the next days use one tube each; twenty tubes last no longer than a week."""
        StockingLineFactory(place=storeroom, consumable=tube, par=20)
        for ahead in range(1, 15):
            for number in (1, 2, 3):
                CaseFactory(room=room, date=today + timedelta(days=ahead), order=number, case_type=hernia)

        said = words(supervising.post(reverse("what-if"), {"late_days": 10}))
        assert "How long the storerooms last was not worked out yet." in said
        assert "Main storeroom" not in said
        work_out_cover(department, today=today, at=timezone.now())

        said = words(supervising.post(reverse("what-if"), {"late_days": 10}))

        assert re.search(r"may run out before the late delivery .* Main storeroom \d+ to \d+ days 4", said)
        assert "How long the storerooms last was worked out 1 min ago." in said

    @pytest.mark.parametrize("half", ["add_room", "nothing"])
    def test_supposing_too_little_is_refused(self, supervising, hernia, room, half):
        answer = supervising.post(reverse("what-if"), {half: room.pk})

        assert answer.status_code == 400
        assert re.search("needs a room and a case type|at least one change", words(answer))


class TestAccuracy:
    def test_without_a_backtest_one_can_be_asked_for_and_says_what_it_lacks(self, supervising, plan, department):
        assert "Judge the last 14 days" in words(supervising.get(reverse("accuracy")))

        supervising.post(reverse("work-out-accuracy"))
        jobs.work_off(department)

        said = words(supervising.get(reverse("accuracy")))
        assert "None of the last days has a case list and enough logged days before it." in said

    def test_says_what_was_found_in_days_of_a_hundred(self, supervising, plan, judged):
        judged(1)

        said = words(supervising.get(reverse("accuracy")))

        assert "Where it said that 96.1 days of 100 would be covered, 94.8 were." in said
        assert "+1.0 −2.0 0.0 9 planned with more" in said
        assert re.search(r"Par as it is 0\.80 \( ?0\.70 to 0\.90 ?\)", said)
        assert "4.1 7.2" in said
        assert "75 60 to 86 40 30" in said

    def test_shows_where_use_fell_and_what_each_level_covered(self, supervising, plan, judged):
        judged(1)

        answer = supervising.get(reverse("accuracy"))

        assert "10 28 20 to 31 Use lies in the highest tenth too often" in words(answer)
        assert "95 96.1 94.8 94 to 95.7" in words(answer)
        assert 'class="demand-chart" role="img"' in answer.text

    def test_log_is_summed_by_section_and_use_logged_twice_hides_no_gap(self, supervising, plan, judged):
        judged(2)
        more = CaptureRate.objects.first()
        more.logged = 90
        more.save()

        said = words(supervising.get(reverse("accuracy")))

        # (1 + 70) / (2 + 80), the mean of a Beta with a flat prior: 70 of 80 pieces logged.
        assert re.search(r"All sections 86\.6 [\d.]+ to [\d.]+ 80 70", said)


class TestUnused:
    @pytest.fixture
    def hernias(self, department, room):
        """`hernias(line, day, cases=5)`: logged cases that each used one piece and left two unused."""

        def log(line, day, cases):
            for n in range(cases):
                case = CaseFactory(
                    room=room, date=day, order=n + 1, logged_at=timezone.now(),
                    case_type=department.case_types.first() or CaseTypeFactory(name="Hernia"),
                )  # fmt: skip
                UsageRecord.objects.create(department=department, case=case, consumable=line, used=1, opened_unused=2)
            bring_forward(department=department, at=timezone.now())

        return log

    def test_stands_by_line_and_case_type_and_never_by_person(self, supervising, plan, today, hernias):
        hernias(ConsumableFactory(name="Bougie"), today - timedelta(days=1), 5)

        answer = supervising.get(reverse("unused"))

        assert "Bougie Hernia 10" in words(answer)
        assert "clinician" not in answer.text

    def test_group_of_four_cases_is_left_out(self, supervising, plan, today, hernias):
        hernias(ConsumableFactory(name="Bougie"), today - timedelta(days=1), 4)

        said = words(supervising.get(reverse("unused")))

        assert "Bougie" not in said
        assert "1 group of too few cases is left out" in said

    def test_campaign_is_shown_before_and_after_as_chart_and_table(self, supervising, plan, today, hernias):
        line = ConsumableFactory(name="Bougie")
        hernias(line, today - timedelta(days=12), 5)
        hernias(line, today - timedelta(days=2), 6)

        answer = supervising.get(reverse("unused"), {"since": today - timedelta(days=7), "days": 28})

        assert re.search(
            r"Bougie Hernia 66\.7 \(10 of 15\) 66\.7 \(12 of 18\) 0\.0 .*chance may explain", words(answer)
        )
        assert "Bougie, Hernia: before 67 of 100, after 67" in answer.text

    def test_day_to_come_is_refused_with_what_was_typed_kept(self, supervising, plan, tomorrow):
        answer = supervising.get(reverse("unused"), {"since": tomorrow, "days": 28})

        assert answer.status_code == 400
        assert "This day is still to come" in answer.text
        assert f'value="{tomorrow}"' in answer.text


class TestTwins:
    def test_cart_that_differs_is_named_with_how(self, supervising, department):
        carts = [CartFactory(name=f"Cart {n}", room=None) for n in "ABC"]
        shared, rare = ConsumableFactory(name="Bougie"), ConsumableFactory(name="Scope")
        for cart, par in zip(carts, (4, 4, 6), strict=True):
            StockingLineFactory(place=cart, consumable=shared, par=par)
        StockingLineFactory(place=carts[0], consumable=rare, par=1)

        said = words(supervising.get(reverse("cart-twins")))

        assert re.search(r"Cart A 1 further line .*Scope 1 not standard", said)
        assert "Cart B as the standard" in said
        assert re.search(r"Cart C 1 with another par .*Bougie 6 4", said)


PAGES = [
    "shortages",
    "shortage",
    "rooms-ahead",
    "room-ahead",
    "par-advice",
    "cart-twins",
    "what-if",
    "accuracy",
    "unused",
]


@pytest.mark.parametrize("page", PAGES)
def test_sixty_lines_take_no_more_queries_than_one(supervising, evening, advise, judged, page):
    line = evening(1)
    arguments = {"shortage": [line.pk], "room-ahead": [line.place.room_id]}.get(page, [])
    address = reverse(page, args=arguments)
    for one in line.plan.lines.all():
        advise(one)
    judged(1)
    queries(supervising, address)
    of_one = queries(supervising, address)
    evening(59)
    for one in line.plan.lines.exclude(pk=line.pk):
        advise(one)
    judged(59)
    of_sixty = queries(supervising, address)

    assert len(of_sixty) == len(of_one), "\n".join(of_sixty)
    assert not [sql for sql in of_sixty if sql.lstrip().upper().startswith(("INSERT", "UPDATE", "DELETE"))]


@pytest.mark.parametrize("page", ["par-advice", "what-if", "accuracy", "unused", "cart-twins"])
def test_only_a_supervisor_is_advised(signed_in, plan, page):
    assert signed_in.get(reverse(page)).status_code == 403
