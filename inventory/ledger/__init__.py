"""The only writer of Movement, Holding and Count.

Every function takes `by` (the user who says so), `at` (the aware instant at which it happened) and `key`, which makes
a repeated submission harmless: the first one is kept and returned. A key that comes again with other content raises
KeyReused. A refusal writes nothing, and its message is meant for the person who asked.

Several events in one transaction: pass them to `record` together, or call in the order of the consumables' primary
keys, so that two such transactions on PostgreSQL cannot wait for each other.
"""

from .counting import Counted, count, count_all
from .entries import Entry, part_key, record, virtual_place
from .events import adjust, discard, give_back, move, receive, reverse, reverse_all, use
from .proof import Difference, differences
from .refusals import InsufficientStock, KeyReused, NotReversible, Refused
from .using import Used, events_of, movements_of, use_all

__all__ = [
    "Counted",
    "Difference",
    "Entry",
    "InsufficientStock",
    "KeyReused",
    "NotReversible",
    "Refused",
    "Used",
    "adjust",
    "count",
    "count_all",
    "differences",
    "discard",
    "events_of",
    "give_back",
    "move",
    "movements_of",
    "part_key",
    "receive",
    "record",
    "reverse",
    "reverse_all",
    "use",
    "use_all",
    "virtual_place",
]
