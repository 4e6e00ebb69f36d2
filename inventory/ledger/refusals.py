"""Why the ledger did not write. Each message names what a person needs to put it right."""


class Refused(Exception):
    """The ledger wrote nothing: the event cannot have happened as it was told."""


class InsufficientStock(Refused):
    """A storeroom was asked for more pieces of a lot than it holds."""

    def __init__(self, *, consumable, place, lot, asked_pieces: int, held_pieces: int):
        self.consumable = consumable
        self.place = place
        self.lot = lot
        self.asked_pieces = asked_pieces
        self.held_pieces = held_pieces
        of_lot = f"of lot {lot}" if lot else "without a lot"
        super().__init__(
            f"{place} holds {held_pieces} of {consumable} {of_lot}; {asked_pieces} were asked for. "
            "Take fewer, take another lot, or count it first."
        )


class KeyReused(Refused):
    """The key of an earlier event came again with other content."""

    def __init__(self, key: str):
        self.key = key
        super().__init__(
            f"“{key}” was already recorded with other content, and the first record stands. "
            "Correct it with a reversal, or send the new event under a key of its own."
        )


class NotReversible(Refused):
    """The movement was reversed before, or is itself a reversal."""
