"""What the codes on packs say: item, lot, expiry. Pure: no Django, no clock, no database."""

from .reading import is_item_number, looks_scanned, read_scan
from .scan import OwnLabel, PersonCode, Scan, Unreadable

__all__ = ["OwnLabel", "PersonCode", "Scan", "Unreadable", "is_item_number", "looks_scanned", "read_scan"]
