"""What the codes on packs say: item, lot, expiry. Pure: no Django, no clock, no database."""

from .reading import holds_a_person, is_item_number, looks_scanned, read_scan
from .scan import OwnLabel, PersonCode, Scan, Unreadable

__all__ = [
    "OwnLabel",
    "PersonCode",
    "Scan",
    "Unreadable",
    "holds_a_person",
    "is_item_number",
    "looks_scanned",
    "read_scan",
]
