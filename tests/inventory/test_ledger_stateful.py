"""Any sequence of events keeps the ledger's promises."""

from datetime import UTC, date, datetime

import pytest
from django.db import transaction
from django.db.models import Sum
from hypothesis import HealthCheck, settings
from hypothesis import strategies as st
from hypothesis.stateful import (
    Bundle,
    RuleBasedStateMachine,
    consumes,
    invariant,
    multiple,
    rule,
    run_state_machine_as_test,
)

from inventory import ledger
from inventory.models import Holding, Movement
from tests.factories import CartFactory, ConsumableFactory, LotFactory, StoreroomFactory, UserFactory

NOON = datetime(2026, 3, 4, 12, tzinfo=UTC)
PIECES = st.integers(1, 6)
LOTS = st.sampled_from([0, 1, None])


class Ledger(RuleBasedStateMachine):
    """A storeroom, two carts, one line with two lots, and people who sometimes send a thing twice."""

    movements = Bundle("movements")

    def __init__(self):
        super().__init__()
        self.rolled_back = transaction.atomic()
        self.rolled_back.__enter__()
        self.by = UserFactory()
        self.line = ConsumableFactory()
        lots = [LotFactory(consumable=self.line, expires_on=date(2026, 3, day)) for day in (20, 9)]
        self.lots = {0: lots[0], 1: lots[1], None: None}
        self.places = [StoreroomFactory(), CartFactory(), CartFactory()]
        self.expected = [0, 0, 0]
        self.events = 0

    def teardown(self):
        transaction.set_rollback(True)
        self.rolled_back.__exit__(None, None, None)

    def tell(self, event, **told):
        """Record an event under a key of its own; what it returned, and how to send it again."""
        self.events += 1
        told = {"consumable": self.line, "by": self.by, "at": NOON, "key": f"event-{self.events}"} | told
        return event(**told), (event, told)

    @rule(target=movements, place=st.sampled_from([0, 1, 2]), quantity=PIECES, lot=LOTS)
    def receive(self, place, quantity, lot):
        self.expected[place] += quantity
        return self.tell(ledger.receive, place=self.places[place], quantity=quantity, lot=self.lots[lot])

    @rule(target=movements, way=st.permutations([0, 1, 2]), quantity=PIECES, lot=LOTS)
    def move(self, way, quantity, lot):
        source, destination = way[:2]
        lot = self.lots[lot]
        held = Holding.objects.filter(place=self.places[source], lot=lot).aggregate(n=Sum("quantity", default=0))["n"]
        told = {"source": self.places[source], "destination": self.places[destination]}
        if source == 0 and held < quantity:
            with pytest.raises(ledger.InsufficientStock):
                self.tell(ledger.move, **told, quantity=quantity, lot=lot)
            return multiple()
        self.expected[source] -= quantity
        self.expected[destination] += quantity
        return self.tell(ledger.move, **told, quantity=quantity, lot=lot)

    @rule(target=movements, place=st.sampled_from([0, 1, 2]), used=PIECES, opened_unused=st.integers(0, 2))
    def use(self, place, used, opened_unused):
        self.expected[place] -= used + opened_unused
        return self.tell(ledger.use, place=self.places[place], quantity=used, opened_unused=opened_unused)

    @rule(target=movements, place=st.sampled_from([0, 1, 2]), quantity=PIECES, lot=LOTS)
    def discard(self, place, quantity, lot):
        self.expected[place] -= quantity
        return self.tell(ledger.discard, place=self.places[place], quantity=quantity, lot=self.lots[lot], reason="torn")

    @rule(target=movements, place=st.sampled_from([0, 1, 2]), difference=PIECES | st.integers(-6, -1), lot=LOTS)
    def adjust(self, place, difference, lot):
        self.expected[place] += difference
        return self.tell(
            ledger.adjust, place=self.places[place], difference=difference, lot=self.lots[lot], reason="found"
        )

    @rule(place=st.sampled_from([0, 1, 2]), counted=st.integers(0, 12))
    def count(self, place, counted):
        self.tell(ledger.count, place=self.places[place], counted=counted)
        self.expected[place] = counted
        assert not Holding.objects.below_zero().filter(place=self.places[place]).exists()

    @rule(event=consumes(movements))
    def reverse_all_of_an_event(self, event):
        """Every reversal puts back what its movement took, on both sides."""
        for movement in ledger.movements_of(event[0].key):
            before = self.balances()
            undo = ledger.reverse(
                movement=movement, by=self.by, at=NOON, key=f"undo-{movement.pk}", reason="told wrongly"
            )
            after = self.balances()
            came_back, went_away = self.side(movement.source_id, movement), self.side(movement.destination_id, movement)
            assert after[came_back] == before[came_back] + movement.quantity
            assert after[went_away] == before[went_away] - movement.quantity
            assert undo.reverses == movement
            for number, place in enumerate(self.places):
                self.expected[number] += movement.quantity * (
                    (place.pk == movement.source_id) - (place.pk == movement.destination_id)
                )

    @rule(event=movements)
    def send_again(self, event):
        first, (call, told) = event
        movements = Movement.objects.count()

        assert call(**told) == first
        assert Movement.objects.count() == movements

    @rule(event=movements)
    def send_again_with_other_content(self, event):
        _, (call, told) = event
        changed = "difference" if call is ledger.adjust else "quantity"
        with pytest.raises(ledger.KeyReused):
            call(**told | {changed: told[changed] + 7})

    def side(self, place_id, movement):
        return place_id, movement.lot_id

    def balances(self):
        return {(place, lot): n for place, lot, n in Holding.objects.values_list("place_id", "lot_id", "quantity")}

    @invariant()
    def places_hold_what_they_should(self):
        assert [place.on_hand(self.line) for place in self.places] == self.expected

    @invariant()
    def pieces_are_conserved(self):
        assert Holding.objects.aggregate(n=Sum("quantity", default=0))["n"] == 0

    @invariant()
    def balances_equal_the_sums_of_movements(self):
        assert ledger.differences() == []


@pytest.mark.django_db
def test_any_sequence_of_events_conserves_pieces_and_balances():
    run_state_machine_as_test(
        Ledger,
        settings=settings(
            max_examples=12, stateful_step_count=15, deadline=None, suppress_health_check=list(HealthCheck)
        ),
    )
