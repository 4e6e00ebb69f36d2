"""What the pages say, and in which order."""

import re
from datetime import timedelta
from io import BytesIO

import pytest
from django.urls import reverse
from django.utils import timezone
from openpyxl import load_workbook

from inventory import ledger
from inventory.models import Criticality, Section
from inventory.recalls import open_recall
from restock.models import Plan
from tests.factories import BinFactory, CaseFactory, CaseTypeFactory, ConsumableFactory, LotFactory

from .test_query_counts import PAGES, address_of


def words(answer):
    """The page as read: without tags, spaces pressed together."""
    text = re.sub(r"<(script|style).*?</\1>", "", answer.text, flags=re.S)
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", text)).replace(" .", ".").replace(" ,", ",")


def order(answer, *names):
    """The names in the order in which the page says them first."""
    return sorted(names, key=answer.text.index)


class TestSigningIn:
    def test_right_password_leads_to_tonight(self, client, plan, technician):
        answer = client.post(reverse("sign-in"), {"username": "technician", "password": "correct horse"}, follow=True)

        assert answer.redirect_chain[-1] == (reverse("round"), 302)

    def test_wrong_password_keeps_the_name_and_says_so(self, client, technician):
        answer = client.post(reverse("sign-in"), {"username": "technician", "password": "wrong"})

        assert 'value="technician"' in answer.text
        assert "correct username and password" in answer.text

    def test_signing_out_leads_back_to_the_door(self, signed_in, plan):
        assert signed_in.post(reverse("sign-out")).url == reverse("sign-in")
        assert signed_in.get("/").status_code == 302


class TestTonight:
    def test_says_the_day_when_it_was_made_and_from_what(self, signed_in, add_line):
        add_line()

        said = words(signed_in.get("/"))

        assert "To cover tomorrow" in said
        assert "planned today at 15:40" in said
        assert "8 listed cases" in said
        assert "never counted" in said
        assert "40 logged cases" in said

    def test_lists_the_lines_that_need_pieces_and_no_others(self, signed_in, add_line):
        add_line(name="Bougie", top_up=4)
        add_line(name="Yankauer tip", top_up=0, allocated=0)

        answer = signed_in.get("/")

        assert "Bougie" in answer.text
        assert "4 cases that day use 2.5 on average; 4 to add." in answer.text
        assert "Yankauer tip" not in answer.text

    def test_most_missing_line_comes_first(self, signed_in, add_line):
        add_line(name="Calm", shortfall_before=0.2)
        add_line(name="Pressing", shortfall_before=3.0)

        assert order(signed_in.get("/"), "Calm", "Pressing") == ["Pressing", "Calm"]

    def test_heading_sorts(self, signed_in, add_line):
        add_line(name="Few", top_up=1, allocated=1)
        add_line(name="Many", top_up=4)

        assert order(signed_in.get("/?sort=-allocated"), "Few", "Many") == ["Many", "Few"]
        assert order(signed_in.get("/?sort=allocated"), "Few", "Many") == ["Few", "Many"]

    @pytest.mark.parametrize(
        "query", ["section=4", "criticality=never_out", "short=on", "words=bougie+14", "words=cart+bougie"]
    )
    def test_filter_keeps_what_it_names(self, signed_in, add_line, query):
        add_line(name="Bougie", size="14 Fr", section=Section.AIRWAY, criticality=Criticality.NEVER_OUT, allocated=1)
        add_line(name="Yankauer tip", section=Section.SUCTION)

        answer = signed_in.get(f"/?{query}")

        assert "Bougie" in answer.text
        assert "Yankauer tip" not in answer.text

    def test_filter_offers_only_carts_of_the_plan_s_department(self, signed_in, add_line, cart, storeroom):
        add_line()

        offered = re.search(r'<select name="place".*?</select>', signed_in.get("/").text, re.S)[0]

        assert cart.name in offered
        assert storeroom.name not in offered

    def test_fifty_lines_stand_on_a_page(self, signed_in, evening):
        evening(51)

        assert "Rows 1 to 50 of 51" in words(signed_in.get("/"))
        assert "Rows 51 to 51 of 51" in words(signed_in.get("/?page=2"))

    def test_nothing_short_is_said_as_nothing_known_missing(self, signed_in, add_line):
        add_line()

        said = words(signed_in.get("/"))

        assert "Nothing known missing" in said
        assert "ready" not in said

    def test_shortages_are_counted_in_words(self, signed_in, add_shortage):
        add_shortage(criticality=Criticality.NEVER_OUT)
        add_shortage()

        assert "2 lines stay short, 1 of them a never-out line." in words(signed_in.get("/"))

    def test_confirmed_pick_list_asks_for_nothing_more(self, signed_in, add_line, storeroom):
        line = add_line()
        line.picks.create(storeroom=storeroom, quantity=4, picked=4, confirmed_at=timezone.now())

        assert "Everything on this list was confirmed: 4 pieces." in words(signed_in.get("/"))


class TestWhichPlan:
    def test_plan_for_the_next_day_wins_over_today_s(self, signed_in, make_plan, today, tomorrow):
        make_plan(today)
        make_plan(tomorrow)
        make_plan(tomorrow + timedelta(days=2))

        assert "To cover tomorrow" in words(signed_in.get("/"))

    def test_newest_of_a_day_counts(self, signed_in, make_plan, add_line, tomorrow):
        newer = make_plan(tomorrow, made_at=timezone.now())
        add_line(name="Of the first")
        add_line(name="Of the second", of=newer)

        answer = signed_in.get("/")

        assert "Of the second" in answer.text
        assert "Of the first" not in answer.text

    def test_plan_of_a_day_that_passed_says_so(self, signed_in, make_plan, today):
        make_plan(today - timedelta(days=3))

        assert "which has passed" in words(signed_in.get("/"))


class TestPlanningFromThePage:
    def test_without_a_plan_the_page_says_what_is_missing(self, signed_in, department):
        said = words(signed_in.get("/"))

        assert "No evening is planned yet" in said
        assert "manage.py load all department.xlsx" in said
        assert "<button" not in signed_in.get("/").text.split("<main")[1].split("</main")[0]

    def test_with_par_sheets_a_technician_can_plan_and_a_clinician_cannot(self, client, stocked_cart, clinician):
        client.force_login(clinician)
        assert "a technician or a supervisor plans it" in words(client.get("/"))
        assert reverse("plan-evening") not in client.get("/").text

    def test_button_plans_the_day_and_shows_it(self, signed_in, stocked_cart, technician, tomorrow):
        assert f'value="{tomorrow}"' in signed_in.get("/").text

        answer = signed_in.post(reverse("plan-evening"), {"for_date": tomorrow}, follow=True)

        assert Plan.objects.get().for_date == tomorrow
        assert Plan.objects.get().by == technician
        assert "Planned tomorrow." in words(answer)

    def test_next_listed_day_is_offered(self, signed_in, stocked_cart, tomorrow):
        monday = tomorrow + timedelta(days=2)
        CaseFactory(room=stocked_cart.room, date=monday)

        assert f'value="{monday}"' in signed_in.get("/").text

    def test_day_that_passed_is_refused_and_kept_for_mending(self, signed_in, stocked_cart, today):
        yesterday = today - timedelta(days=1)

        answer = signed_in.post(reverse("plan-evening"), {"for_date": yesterday})

        assert answer.status_code == 400
        assert "This day has passed" in words(answer)
        assert f'value="{yesterday}"' in answer.text
        assert not Plan.objects.exists()

    def test_department_without_par_sheets_is_told(self, signed_in, department, tomorrow):
        answer = signed_in.post(reverse("plan-evening"), {"for_date": tomorrow}, follow=True)

        assert "nothing to plan" in words(answer)
        assert not Plan.objects.exists()


def test_pick_list_is_a_workbook_that_opens(signed_in, evening):
    line = evening(1)

    answer = signed_in.get(reverse("pick-list", args=[line.plan_id]))

    assert answer["Content-Disposition"] == f'attachment; filename="pick-list-{line.plan.for_date}.xlsx"'
    assert "Cover" in load_workbook(BytesIO(b"".join(answer.streaming_content))).sheetnames


class TestCarts:
    def test_list_adds_up_each_cart(self, signed_in, add_line, cart):
        add_line(allocated=4)
        add_line(allocated=1)
        add_line(on_hand=-2, top_up=0, allocated=0)

        said = words(signed_in.get(reverse("carts")))

        assert "1 cart to fill. 5 pieces in all. 1 line has a record below zero" in said
        assert re.search(r"Cart 1 OR-1 3 2 5 1 1 never counted", said)

    def test_lines_follow_the_set_up_order_and_then_the_drawers(self, signed_in, add_line, cart):
        lower, upper = BinFactory(place=cart, walk_order=2), BinFactory(place=cart, walk_order=1)
        add_line(name="IV line", section=Section.IV, bin=upper)
        add_line(name="Lower tube", section=Section.AIRWAY, bin=lower)
        add_line(name="Upper tube", section=Section.AIRWAY, bin=upper)
        add_line(name="Circuit", section=Section.MACHINE, bin=lower)

        answer = signed_in.get(reverse("cart", args=[cart.pk]))

        names = ["Circuit", "Upper tube", "Lower tube", "IV line"]
        assert order(answer, *names) == names

    def test_says_how_old_each_count_is(self, signed_in, add_line, cart, technician):
        counted, _ = add_line(name="Counted"), add_line(name="Not counted")
        at = timezone.now() - timedelta(hours=9, minutes=5)
        ledger.count(place=cart, consumable=counted.consumable, counted=1, by=technician, at=at, key="k")

        said = words(signed_in.get(reverse("cart", args=[cart.pk])))

        assert "counted 9 h ago, 1 line never" in said
        assert re.search(r"Not counted .* never counted", said)

    def test_shows_what_is_there_now_and_not_when_planned(self, signed_in, add_line, cart, technician):
        line = add_line(on_hand=1)
        ledger.count(place=cart, consumable=line.consumable, counted=3, by=technician, at=timezone.now(), key="k")

        assert (
            "3 on hand, tomorrow likely 2 to 4, par 5, short by up to 1"
            in signed_in.get(reverse("cart", args=[cart.pk])).text
        )

    def test_record_below_zero_asks_for_a_count(self, signed_in, add_line, cart, technician):
        line = add_line()
        ledger.use(place=cart, consumable=line.consumable, quantity=2, by=technician, at=timezone.now(), key="k")

        assert "Recorded -2: please count" in words(signed_in.get(reverse("cart", args=[cart.pk])))

    def test_brought_pieces_are_not_asked_for_again(self, signed_in, add_line, cart, storeroom):
        line = add_line()
        line.picks.create(storeroom=storeroom, quantity=4, picked=3, confirmed_at=timezone.now())

        said = words(signed_in.get(reverse("cart", args=[cart.pk])))

        assert "3 pieces were confirmed as brought" in said
        assert "3 brought" in said

    def test_of_a_line_with_two_picks_only_the_open_one_is_still_to_bring(self, signed_in, add_line, cart, storeroom):
        line = add_line(allocated=6, top_up=6)
        line.picks.create(storeroom=storeroom, quantity=3, picked=3, confirmed_at=timezone.now())
        line.picks.create(storeroom=storeroom, quantity=3, lot=LotFactory(consumable=line.consumable))

        said = words(signed_in.get(reverse("cart", args=[cart.pk])))

        assert "Bring 3 pieces on 1 line." in said
        assert "3 brought" in said

    def test_only_tonight_leaves_out_what_needs_nothing(self, signed_in, add_line, cart, storeroom):
        add_line(name="Bougie").picks.create(storeroom=storeroom, quantity=4)
        add_line(name="Yankauer tip", top_up=0, allocated=0)

        answer = signed_in.get(reverse("cart", args=[cart.pk]) + "?only=tonight")

        assert "Bougie" in answer.text
        assert "Yankauer tip" not in answer.text

    def test_names_the_rooms_whose_cases_draw_on_it(self, signed_in, add_line, cart, room, tomorrow):
        add_line()
        hysteroscopy = CaseTypeFactory(name="Hysteroscopy")
        CaseFactory(room=room, date=tomorrow, order=1, case_type=hysteroscopy)
        CaseFactory(room=room, date=tomorrow, order=2, case_type=hysteroscopy)
        CaseFactory(date=tomorrow, case_type=CaseTypeFactory(name="Elsewhere"))
        CaseFactory(room=room, date=tomorrow, status="cancelled", case_type=CaseTypeFactory(name="Called off"))

        said = words(signed_in.get(reverse("cart", args=[cart.pk])))

        assert "Hysteroscopy × 2" in said
        assert "Elsewhere" not in said
        assert "Called off" not in said


class TestLine:
    def test_explains_itself_in_words_and_figures(self, signed_in, add_line):
        line = add_line(on_hand=1, p_short_before=0.8)

        said = words(signed_in.get(reverse("line", args=[line.pk])))

        assert "Add 4. 4 cases that day use 2.5 on average; 4 to add." in said
        # Enough for: the sum of the pmf of conftest up to the quantity.
        assert "On hand 1 20" in said
        assert "Target 5 more than 99" in said
        assert "Latex Not stated" in said

    def test_names_lots_with_a_word_where_they_may_not_be_used(self, signed_in, add_line, cart, technician, tomorrow):
        line = add_line()
        for number, expires_on in [("FRESH", tomorrow + timedelta(days=400)), ("STALE", tomorrow - timedelta(days=1))]:
            lot = LotFactory(consumable=line.consumable, number=number, expires_on=expires_on)
            ledger.receive(
                place=cart,
                consumable=line.consumable,
                quantity=2,
                by=technician,
                at=timezone.now(),
                key=number,
                lot=lot,
            )

        said = words(signed_in.get(reverse("line", args=[line.pk])))

        assert re.search(r"STALE \d+ \w+ \d{4} 2 out of date by then: do not use", said)
        assert re.search(r"FRESH \d+ \w+ \d{4} 2 (?!out of date)", said)

    def test_pieces_without_a_lot_of_a_recalled_line_are_set_aside(self, signed_in, add_line, cart, technician):
        line = add_line()
        now = timezone.now()
        open_recall(consumable=line.consumable, notice="FSN-1", by=technician, at=now, all_lots=True)
        ledger.count(place=cart, consumable=line.consumable, counted=3, by=technician, at=now, key="after")

        said = words(signed_in.get(reverse("line", args=[line.pk])))

        assert "3 set aside: do not use" in said

    def test_names_the_cases_behind_it_as_slots(self, signed_in, add_line, room, tomorrow):
        line = add_line()
        CaseFactory(room=room, date=tomorrow, order=3, case_type=CaseTypeFactory(name="Hysteroscopy"))
        CaseFactory(date=tomorrow, case_type=CaseTypeFactory(name="Elsewhere"))

        said = words(signed_in.get(reverse("line", args=[line.pk])))

        assert "Hysteroscopy OR-1 3" in said
        assert "Elsewhere" not in said

    def test_tells_recent_movements_without_saying_who(self, signed_in, add_line, cart, clinician):
        line = add_line()
        ledger.use(
            place=cart,
            consumable=line.consumable,
            quantity=1,
            opened_unused=1,
            by=clinician,
            at=timezone.now(),
            key="k",
        )

        answer = signed_in.get(reverse("line", args=[line.pk]))

        assert "−2" in answer.text
        assert "1 opened and not used" in answer.text
        assert "clinician" not in answer.text.replace("the clinician decides", "")

    def test_of_an_earlier_plan_says_so(self, signed_in, add_line, make_plan, tomorrow):
        line = add_line()
        make_plan(tomorrow, made_at=timezone.now() + timedelta(minutes=1))

        assert "This is an earlier plan." in words(signed_in.get(reverse("line", args=[line.pk])))

    @pytest.mark.parametrize(("size", "swatches"), [("18 G (green hub)", 1), ("18 G", 0), ("18 G needle", 0)])
    def test_swatch_stands_only_beside_a_named_hub(self, signed_in, add_line, size, swatches):
        line = add_line(size=size)

        assert signed_in.get(reverse("line", args=[line.pk])).text.count("hub-swatch hub-18") == swatches


class TestShortages:
    def test_worst_comes_first_with_cause_and_reason(self, signed_in, add_shortage):
        add_shortage(name="Mild", harm=0.1)
        add_shortage(name="Grave", harm=5, reason="Only one in the storeroom.", p_short_after=0.3)

        answer = signed_in.get(reverse("shortages"))

        assert order(answer, "Mild", "Grave") == ["Grave", "Mild"]
        assert "Only one in the storeroom." in answer.text
        # Nothing is on record there now: only a day that uses none is covered, 5 of 100 by the figures given.
        assert re.search(r"<td[^>]*>5</td>", answer.text)

    def test_none_is_said_as_nothing_known_missing(self, signed_in, add_line):
        add_line()

        said = words(signed_in.get(reverse("shortages")))

        assert "Nothing known missing tomorrow once everything on the pick list has been carried." in said


@pytest.mark.parametrize("page", [page for page in PAGES if page != "pick-list"])
def test_page_obeys_its_own_content_security_policy(signed_in, evening, page):
    answer = signed_in.get(address_of(page, evening(2)))

    assert "'unsafe-inline'" not in answer["Content-Security-Policy"]
    assert not re.search(r"<[^>]+\s(style|on\w+)=|<style|<script(?![^>]+\bsrc=)", answer.text)
    assert not re.search(r'(src|href)="(https?:)?//', answer.text)


def test_unknown_address_keeps_the_frame(signed_in, plan):
    answer = signed_in.get("/nothing-here/")

    assert answer.status_code == 404
    assert "There is no such page" in answer.text


def test_names_from_data_are_escaped(signed_in, add_line, cart):
    line = add_line(ConsumableFactory(name="<b>Tube</b>"))

    for address in ("/", reverse("cart", args=[cart.pk]), reverse("line", args=[line.pk])):
        assert "<b>" not in signed_in.get(address).text
