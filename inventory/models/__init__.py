"""Facts: what exists, where it is, and every movement of it."""

from .counts import Count
from .items import Basis, Consumable, Criticality, Latex, Owner, Packaging, Section, SingleUse, SizeRun
from .ledger import Holding, Lot, Movement
from .places import Bin, CartKind, Department, Place, Room, StockingLine

__all__ = [
    "Basis",
    "Bin",
    "CartKind",
    "Consumable",
    "Count",
    "Criticality",
    "Department",
    "Holding",
    "Latex",
    "Lot",
    "Movement",
    "Owner",
    "Packaging",
    "Place",
    "Room",
    "Section",
    "SingleUse",
    "SizeRun",
    "StockingLine",
]
