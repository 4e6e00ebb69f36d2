"""What may stand in for what. Luer (ISO 80369-7) and neuraxial (ISO 80369-6) connectors are made not to fit each other;
the titles of both parts say which is which, and no card may say otherwise."""

from datetime import timedelta

import pytest
from django.core.exceptions import ValidationError

from inventory.models import Connector, Latex, SingleUse
from restock.models import Substitution
from restock.stock_life import substitutions
from restock.stock_life.substitutions import NotAllowed
from tests.conftest import NOON
from tests.factories import ConsumableFactory, SizeRunFactory, UserFactory

TODAY = NOON.date()
LAST = TODAY + timedelta(days=30)


@pytest.fixture
def pair(department):
    """`pair(connector=("luer", "luer"))`: two lines that differ in what is given, (wanted, stand-in)."""

    def pair(**fields):
        return tuple(
            ConsumableFactory(name=name, **{field: values[n] for field, values in fields.items()})
            for n, name in enumerate(("Wanted", "Stand-in"))
        )

    return pair


@pytest.fixture
def propose(pair, technician):
    def propose(lines=None, **told):
        wanted, stand_in = lines or pair()
        told = {"in_words": "another maker", "until": LAST, "by": technician, "at": NOON, **told}
        return substitutions.propose(wanted=wanted, stand_in=stand_in, **told)

    return propose


@pytest.mark.parametrize("one", [Connector.LUER, Connector.OTHER, Connector.CONE_15_22])
@pytest.mark.parametrize("way", [1, -1])
def test_nothing_but_a_neuraxial_line_stands_in_for_a_neuraxial_one_either_way(pair, propose, one, way):
    lines = pair(connector=(one, Connector.NEURAXIAL)[::way])

    with pytest.raises(NotAllowed, match="never stand in for each other"):
        propose(lines)
    assert not Substitution.objects.exists()


@pytest.mark.parametrize("way", [1, -1])
def test_unknown_connector_has_to_be_stated_before_a_neuraxial_one(pair, propose, way):
    lines = pair(connector=(Connector.NOT_STATED, Connector.NEURAXIAL)[::way])
    unknown = lines[0 if way == 1 else 1]

    with pytest.raises(NotAllowed, match=f"State the connector of {unknown.label}"):
        propose(lines)


def test_card_is_in_nobodys_hands_until_a_clinician_agrees(propose, clinician, department):
    card = propose()
    assert not substitutions.active(department, on=TODAY)

    substitutions.agree(card, by=clinician, at=NOON)

    assert list(substitutions.active(department, on=TODAY)) == [card]
    assert list(substitutions.active(department, on=LAST)) == [card]
    assert not substitutions.active(department, on=LAST + timedelta(days=1))


def test_card_holds_one_way_only(propose, clinician, department):
    card = substitutions.agree(propose(), by=clinician, at=NOON)

    assert set(substitutions.by_wanted(substitutions.active(department, on=TODAY))) == {card.wanted_id}


def test_proposer_cannot_agree_and_a_technician_cannot_either(propose, clinician, supervisor):
    own = propose(by=clinician)
    with pytest.raises(NotAllowed, match="You proposed it"):
        substitutions.agree(own, by=clinician, at=NOON)
    with pytest.raises(NotAllowed, match="A clinician agrees"):
        substitutions.agree(own, by=supervisor, at=NOON)


def test_connector_stated_after_the_proposal_stops_the_agreement_and_the_card(pair, propose, clinician, department):
    lines = pair(connector=(Connector.LUER, Connector.NOT_STATED))
    waiting, held = propose(lines), propose(pair(connector=(Connector.LUER, Connector.NOT_STATED)))
    substitutions.agree(held, by=clinician, at=NOON)
    for card in (waiting, held):
        card.stand_in.connector = Connector.NEURAXIAL
        card.stand_in.save()

    with pytest.raises(NotAllowed, match="never stand in"):
        substitutions.agree(waiting, by=clinician, at=NOON)
    assert not substitutions.active(department, on=TODAY)


def test_neighbouring_size_is_marked_whatever_the_proposer_ticks(department, propose):
    run = SizeRunFactory()
    six, seven = (
        ConsumableFactory(name="Tube", size_run=run, size=size, size_position=n)
        for n, size in enumerate(("6.0", "6.5"))
    )

    assert propose((six, seven)).differs_in_size


@pytest.mark.parametrize(
    ("field", "values", "mark"),
    [
        ("size", ("10 mL", "20 mL"), "differs_in_size"),
        ("connector", (Connector.LUER, Connector.NOT_STATED), "differs_in_connector"),
        ("latex", (Latex.NOT_MADE_WITH, Latex.NOT_STATED), "differs_in_latex"),
        ("single_use", (SingleUse.NO, SingleUse.YES), "differs_in_single_use"),
    ],
)
def test_what_the_catalogue_says_is_marked_and_nothing_else(pair, propose, field, values, mark):
    card = propose(pair(**{field: values}))

    marks = {name for name in vars(card) if name.startswith("differs_in_") and getattr(card, name)}
    assert marks == {mark}
    assert len(substitutions.differences(card.wanted, card.stand_in).words) == 1


def test_proposer_may_mark_what_the_catalogue_does_not_know(propose):
    assert propose(also={"connector"}).differs_in_connector


@pytest.mark.parametrize(
    ("told", "raised"),
    [
        ({"in_words": " "}, ValidationError),
        ({"in_words": "as agreed on 2026-03-04"}, ValidationError),
        ({"until": TODAY - timedelta(days=1)}, NotAllowed),
    ],
)
def test_card_without_words_or_after_its_last_day_is_refused(propose, told, raised):
    with pytest.raises(raised):
        propose(**told)
    assert not Substitution.objects.exists()


def test_second_card_of_a_pair_waits_for_the_end_of_the_first(pair, propose, clinician):
    lines = pair()
    first = propose(lines)
    with pytest.raises(ValidationError, match="a card for this already"):
        propose(lines)

    substitutions.end(first, by=clinician, at=NOON, note="not for us")

    assert substitutions.state(Substitution.objects.get(pk=first.pk), on=TODAY) == "refused"
    assert propose(lines)


def test_card_that_ran_out_does_not_stand_in_the_way(pair, propose):
    lines = pair()
    old = propose(lines)

    propose(lines, at=NOON + timedelta(days=31), until=LAST + timedelta(days=60))

    assert Substitution.objects.get(pk=old.pk).ended_at


def test_waiting_card_is_withdrawn_by_its_proposer_and_an_agreed_one_ended_by_anybody(
    propose, technician, supervisor, clinician
):
    waiting = propose()
    with pytest.raises(NotAllowed, match="withdraws it"):
        substitutions.end(waiting, by=supervisor, at=NOON)
    withdrawn = substitutions.end(waiting, by=technician, at=NOON)
    agreed = substitutions.agree(propose(), by=clinician, at=NOON)
    ended = substitutions.end(agreed, by=UserFactory(), at=NOON)

    assert [substitutions.state(card, on=TODAY) for card in (withdrawn, ended)] == ["withdrawn", "ended"]


CHANGED = [
    ("size", "15 Fr", "10 Fr", "size of Stand-in, 10 Fr: 10 Fr, was 15 Fr"),
    ("latex", Latex.NOT_STATED, Latex.CONTAINS, "latex of Stand-in: contains natural rubber latex, was not stated"),
    ("single_use", SingleUse.YES, SingleUse.NO, "use of Stand-in: re-usable, was single use"),
    ("connector", Connector.NOT_STATED, Connector.LUER, "connector of Stand-in: Luer (ISO 80369-7), was not stated"),
]


class TestCatalogueThatChanges:
    @pytest.mark.parametrize(("field", "was", "now", "words"), CHANGED, ids=[row[0] for row in CHANGED])
    @pytest.mark.parametrize("which", ["wanted", "stand_in"])
    def test_takes_an_agreed_card_out_of_every_hand(
        self, pair, propose, clinician, department, field, was, now, words, which
    ):
        card = substitutions.agree(propose(pair(**{field: (was, was)})), by=clinician, at=NOON)
        line = getattr(card, which)
        setattr(line, field, now)
        line.save()

        assert not substitutions.active(department, on=TODAY)
        [left] = substitutions.left_behind(department, on=TODAY)
        assert substitutions.state(left, on=TODAY) == "left behind"
        assert substitutions.changes(left) == [words.replace("Stand-in", line.name)]

    def test_counts_although_the_card_says_that_they_differ(self, pair, propose, clinician, department):
        card = substitutions.agree(propose(pair(size=("15 Fr", "14 Fr"))), by=clinician, at=NOON)
        card.stand_in.size = "8 Fr"
        card.stand_in.save()

        assert not substitutions.active(department, on=TODAY)

    def test_stops_the_agreement_to_what_was_proposed_before(self, propose, clinician):
        card = propose()
        card.wanted.latex = Latex.CONTAINS
        card.wanted.save()

        with pytest.raises(NotAllowed, match="The catalogue has changed since it was proposed"):
            substitutions.agree(card, by=clinician, at=NOON)

    def test_leaves_what_nobody_compares(self, propose, clinician, department):
        card = substitutions.agree(propose(), by=clinician, at=NOON)
        card.stand_in.name, card.stand_in.shelf_life_months = "Another name", 12
        card.stand_in.save()

        assert substitutions.active(department, on=TODAY) == [card]

    def test_lets_the_pair_be_asked_for_anew(self, propose, clinician, department):
        old = substitutions.agree(propose(), by=clinician, at=NOON)
        old.stand_in.latex = Latex.CONTAINS
        old.stand_in.save()

        new = propose((old.wanted, old.stand_in))
        assert new.differs_in_latex
        assert not substitutions.active(department, on=TODAY)
        substitutions.agree(new, by=clinician, at=NOON)

        assert substitutions.active(department, on=TODAY) == [new]
        assert Substitution.objects.get(pk=old.pk).ending_note == "the catalogue changed"
