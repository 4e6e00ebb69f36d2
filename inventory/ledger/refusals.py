"""Why the ledger did not write. Each message names what a person needs to put it right."""

from django.utils.translation import gettext as _


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
        of_lot = _("of lot %(lot)s") % {"lot": lot} if lot else _("without a lot")
        super().__init__(
            _(
                "%(place)s holds %(held_pieces)s of %(consumable)s %(of_lot)s; %(asked_pieces)s were asked for. "
                "Take fewer, take another lot, or count it first."
            )
            % {
                "place": place,
                "held_pieces": held_pieces,
                "consumable": consumable,
                "of_lot": of_lot,
                "asked_pieces": asked_pieces,
            }
        )


class KeyReused(Refused):
    """The key of an earlier event came again with other content. `key` is for programs; people are told in words."""

    def __init__(self, key: str):
        self.key = key
        super().__init__(
            _(
                "This entry was recorded before with other content, and that record stands. Take it back where it "
                "was wrong, or enter what is new as an entry of its own: open the page again."
            )
        )


class NotReversible(Refused):
    """The movement was reversed before, or is itself a reversal."""
