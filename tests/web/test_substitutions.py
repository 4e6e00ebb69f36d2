"""Substitution cards on the pages, and in every place where people pick and log."""

from datetime import timedelta
from io import BytesIO

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.urls import reverse
from django.utils import timezone
from openpyxl import load_workbook

from inventory import ledger
from inventory.models import Connector, Latex, NamedStandIn
from restock.models import Shortage, Substitution
from restock.stock_life import substitutions
from restock.workbook import write_workbook
from tests.factories import (
    CaseFactory,
    ConsumableFactory,
    SetupStandardFactory,
    StockingLineFactory,
)

from .test_pages import words
from .test_query_counts import queries


@pytest.fixture
def bougie(department):
    return ConsumableFactory(name="Bougie", size="15 Fr")


@pytest.fixture
def stylet(department):
    return ConsumableFactory(name="Stylet", size="14 Fr")


@pytest.fixture
def card(bougie, stylet, technician, clinician, today):
    """Agreed: a stylet may stand in for a bougie."""
    proposed = substitutions.propose(
        wanted=bougie, stand_in=stylet, in_words="stiffer, and shorter", until=today + timedelta(days=9),
        by=technician, at=timezone.now(),
    )  # fmt: skip
    return substitutions.agree(proposed, by=clinician, at=timezone.now())


SHOWN = "may stand in Stylet, 14 Fr : stiffer, and shorter"


def test_card_is_proposed_by_one_and_agreed_to_by_a_clinician(client, technician, clinician, bougie, stylet, today):
    client.force_login(technician)
    chosen = {"wanted": bougie.pk, "stand_in": stylet.pk}
    page = client.get(reverse("substitution-new"), chosen)
    assert "By the catalogue they differ: size 14 Fr instead of 15 Fr." in words(page)
    until = today + timedelta(days=9)
    client.post(reverse("substitution-new"), chosen | {"in_words": "stiffer", "until": until, "size": ""})
    card = Substitution.objects.get()
    assert card.differs_in_size
    assert client.post(reverse("substitution-agree", args=[card.pk])).status_code == 403

    client.force_login(clinician)
    said = client.post(reverse("substitution-agree", args=[card.pk]), follow=True)

    assert "1 card holds today." in words(said)
    assert "agreed by clinician" in words(said)


def test_both_lines_are_found_by_words(client, supervisor, bougie, stylet):
    client.force_login(supervisor)

    first = client.post(reverse("substitution-new"), {"scan": "boug"})
    second = client.post(reverse("substitution-new"), {"scan": "styl", "wanted": bougie.pk})

    assert f"?wanted={bougie.pk}" in first.text
    assert f"?wanted={bougie.pk}&amp;stand_in={stylet.pk}" in second.text


def test_luer_for_neuraxial_is_refused_before_a_form_is_shown(signed_in, bougie, stylet):
    bougie.connector, stylet.connector = Connector.NEURAXIAL, Connector.LUER
    for line in (bougie, stylet):
        line.save()

    page = signed_in.get(reverse("substitution-new"), {"wanted": bougie.pk, "stand_in": stylet.pk})

    assert page.status_code == 400
    assert "Luer and neuraxial connectors never stand in for each other" in words(page)
    assert "in_words" not in page.text


def test_proposer_withdraws_and_nobody_agrees_to_their_own(client, clinician, bougie, stylet, today):
    client.force_login(clinician)
    own = substitutions.propose(
        wanted=bougie, stand_in=stylet, in_words="stiffer", until=today, by=clinician, at=timezone.now()
    )
    page = client.get(reverse("substitutions"))
    assert "I agree" not in page.text
    assert "Withdraw it" in page.text

    client.post(reverse("substitution-end", args=[own.pk]), {"note": "not needed"})

    assert "withdrawn" in words(client.get(reverse("substitutions")))


def test_what_the_catalogue_names_is_offered_with_its_source(signed_in, bougie, stylet):
    NamedStandIn.objects.create(wanted=bougie, stand_in=stylet, rule="different technique", source="common practice")
    chosen = {"wanted": bougie.pk}

    offered = signed_in.get(reverse("substitution-new"), chosen)
    asked = signed_in.get(reverse("substitution-new"), chosen | {"stand_in": stylet.pk})

    assert "The catalogue names Stylet, 14 Fr" in words(offered)
    assert "different technique · source: common practice" in words(offered)
    assert "The catalogue names it. different technique. Source: common practice." in words(asked)
    assert not Substitution.objects.exists()


def test_luer_that_the_catalogue_names_for_a_neuraxial_line_is_not_offered(signed_in, bougie, stylet):
    bougie.connector, stylet.connector = Connector.NEURAXIAL, Connector.LUER
    for line in (bougie, stylet):
        line.save()
    NamedStandIn.objects.create(wanted=bougie, stand_in=stylet)

    assert "The catalogue names" not in words(signed_in.get(reverse("substitution-new"), {"wanted": bougie.pk}))


class TestCatalogueThatChanges:
    @pytest.fixture
    def changed(self, card, stylet):
        stylet.latex = Latex.CONTAINS
        stylet.save()

    def test_is_said_on_the_card_with_the_way_to_ask_again(self, signed_in, card, changed):
        page = signed_in.get(reverse("substitutions"))

        assert "0 cards hold today." in words(page)
        assert "latex of Stylet, 14 Fr: contains natural rubber latex, was not stated" in words(page)
        assert f"?wanted={card.wanted_id}&amp;stand_in={card.stand_in_id}" in page.text

    def test_is_told_the_supervisor_beside_the_shortages(self, client, supervisor, card, add_shortage, stylet):
        add_shortage(consumable=card.wanted)
        client.force_login(supervisor)
        assert "holds no more" not in words(client.get(reverse("shortages")))
        stylet.latex = Latex.CONTAINS
        stylet.save()

        assert "1 card holds no more, because the catalogue has changed: Stylet, 14 Fr for Bougie, 15 Fr" in words(
            client.get(reverse("shortages"))
        )

    def test_takes_it_off_every_page_where_people_pick(self, signed_in, room, bougie, changed):
        assert "may stand in" not in words(signed_in.get(reverse("log-need-line", args=[room.pk, bougie.pk])))


def test_proposals_go_out_and_come_back_as_cards_that_wait(signed_in, technician, bougie, stylet, today):
    NamedStandIn.objects.create(wanted=bougie, stand_in=stylet)
    book = load_workbook(BytesIO(signed_in.get(reverse("stand-in-sheet") + "?lines=all").content))
    row = next(row for row in book.active.iter_rows() if row[0].value == bougie.code)
    row[10].value = today + timedelta(days=9)
    saved = BytesIO()
    book.save(saved)
    sheet = SimpleUploadedFile("proposals.xlsx", saved.getvalue())

    answer = signed_in.post(reverse("stand-in-sheet-back"), {"workbook": sheet}, follow=True)

    assert "1 card proposed: it holds once a clinician has agreed." in words(answer)
    assert "1 waits for a clinician" in words(answer)
    assert Substitution.objects.get().proposed_by == technician


class TestShownWherePeoplePickAndLog:
    def test_in_the_log_where_the_cart_has_none(self, client, clinician, room, cart, bougie, card, technician, today):
        StockingLineFactory(place=cart, consumable=bougie)
        case = CaseFactory(room=room, date=today, order=1)
        SetupStandardFactory(case_type=case.case_type, consumable=bougie, quantity=1, probability=1)
        client.force_login(clinician)
        address = reverse("log-case", args=[case.pk])
        assert SHOWN in words(client.get(address))

        ledger.receive(place=cart, consumable=bougie, quantity=1, by=technician, at=timezone.now(), key="one")

        assert SHOWN not in words(client.get(address))

    def test_where_somebody_needs_it_now(self, signed_in, room, card, bougie):
        assert SHOWN in words(signed_in.get(reverse("log-need-line", args=[room.pk, bougie.pk])))

    def test_one_way_only(self, signed_in, room, card, stylet):
        assert "may stand in" not in words(signed_in.get(reverse("log-need-line", args=[room.pk, stylet.pk])))

    def test_on_the_turnover_card(self, signed_in, room, cart, card, bougie, today):
        StockingLineFactory(place=cart, consumable=bougie)
        case = CaseFactory(room=room, date=today, order=1)
        SetupStandardFactory(case_type=case.case_type, consumable=bougie, quantity=1, probability=1)

        assert SHOWN in words(signed_in.get(reverse("turnover", args=[room.pk]) + f"?case={case.pk}"))

    def test_on_the_page_of_a_shortage_with_the_way_to_propose_one(self, signed_in, card, bougie, add_shortage):
        line = add_shortage(consumable=bougie).plan_line

        page = signed_in.get(reverse("shortage", args=[line.pk]))

        assert SHOWN in words(page)
        assert reverse("substitution-new") + f"?wanted={bougie.pk}" in page.text

    def test_in_the_drawer_that_stays_short(self, signed_in, cart, card, bougie, add_shortage):
        add_shortage(consumable=bougie)

        assert SHOWN in words(signed_in.get(reverse("fill-cart", args=[cart.pk])))

    def test_on_the_pick_list_whose_numbers_stay(self, card, bougie, add_shortage, tmp_path):
        shortage = add_shortage(consumable=bougie)
        path = tmp_path / "list.xlsx"
        write_workbook(shortage.plan_line.plan, path)

        sheet = load_workbook(path)["Shortages"]
        said = " ".join(str(cell.value) for row in sheet for cell in row if cell.value)

        assert f"May stand in until {card.until}: Stylet, 14 Fr (stiffer, and shorter), agreed by clinician." in said
        assert Shortage.objects.get().short_by == shortage.short_by

    def test_on_a_workbook_of_their_own(self, signed_in, card):
        book = load_workbook(BytesIO(signed_in.get(reverse("substitutions-sheet")).content))

        rows = [[cell.value for cell in row] for row in book.worksheets[0]]
        assert ["Bougie, 15 Fr", "Stylet, 14 Fr", "stiffer, and shorter", "size"] in [row[:4] for row in rows]


@pytest.mark.parametrize("page", ["substitutions", "fill-cart"])
def test_sixty_cards_take_no_more_queries_than_one(
    signed_in, card, cart, add_shortage, technician, clinician, today, page
):
    address = reverse(page, args=[cart.pk] if page == "fill-cart" else [])
    add_shortage(consumable=card.wanted)
    queries(signed_in, address)
    of_one = queries(signed_in, address)
    for _number in range(59):
        shortage = add_shortage()
        proposed = substitutions.propose(
            wanted=shortage.plan_line.consumable, stand_in=card.stand_in, in_words="other", until=today,
            by=technician, at=timezone.now(),
        )  # fmt: skip
        substitutions.agree(proposed, by=clinician, at=timezone.now())

    assert len(queries(signed_in, address)) == len(of_one)
