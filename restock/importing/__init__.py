"""A department's spreadsheets: every kind of sheet, and one call that loads any number of them, all or nothing."""

from .kinds import ALL, KINDS, Kind
from .load import Loaded, Sheet, load, sheets_of, translated

__all__ = ["ALL", "KINDS", "Kind", "Loaded", "Sheet", "load", "sheets_of", "translated"]
