"""What every case list says, whatever its format."""

from dataclasses import dataclass
from datetime import date, time


@dataclass(frozen=True, slots=True)
class CaseSlot:
    """One slot of a list, in the department's codes or names. None (or "") where the list does not say.

    `row` says where it stands in its source, for messages. `size_class` is a code. `extras` is None where the list
    does not speak of extras at all.
    """

    row: int
    date: date
    room: str
    case_type: str
    order: int | None = None
    starts_at: time | None = None
    booking_hash: str = ""
    technique: str | None = None
    size_class: str | None = None
    extras: tuple[str, ...] | None = None
    urgency: str | None = None
    status: str | None = None
