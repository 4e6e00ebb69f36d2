"""What stays short: why, who has some to spare, and what is done about it."""

import re
from datetime import timedelta

from django.urls import reverse
from django.utils import timezone

from inventory import ledger
from restock.evening.picking import Said, save_picks
from restock.models import (
    ShortageAction,
    StoreroomCover,
)
from tests.factories import (
    CartFactory,
    CaseFactory,
)

from ..test_pages import words


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
