"""Facts: what exists, where it is, and every movement of it."""

from .arrivals import ArrivedPack
from .bundles import Assembly, BundlePiece
from .count_rounds import CountedLot, CountRound, CountTask
from .counts import Count
from .dates import DateCheck
from .items import (
    Basis,
    Connector,
    Consumable,
    Criticality,
    Latex,
    NamedStandIn,
    Owner,
    Packaging,
    Section,
    SingleUse,
    SizeRun,
)
from .ledger import Holding, Lot, Movement
from .orders import BackOrder, Order, OrderLine, Receipt
from .places import Bin, CartKind, Department, Place, Room, StockingLine, bin_order
from .recalls import Hold, Recall, RecallAnswer, RecallLot, RecallPlace
from .seals import CartGuidance, GuidedLine, SealEvent

__all__ = [
    "ArrivedPack",
    "Assembly",
    "BackOrder",
    "Basis",
    "Bin",
    "BundlePiece",
    "CartGuidance",
    "CartKind",
    "Connector",
    "Consumable",
    "Count",
    "CountRound",
    "CountTask",
    "CountedLot",
    "Criticality",
    "DateCheck",
    "Department",
    "GuidedLine",
    "Hold",
    "Holding",
    "Latex",
    "Lot",
    "Movement",
    "NamedStandIn",
    "Order",
    "OrderLine",
    "Owner",
    "Packaging",
    "Place",
    "Recall",
    "RecallAnswer",
    "RecallLot",
    "RecallPlace",
    "Receipt",
    "Room",
    "SealEvent",
    "Section",
    "SingleUse",
    "SizeRun",
    "StockingLine",
    "bin_order",
]
