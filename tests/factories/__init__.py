"""Test data by sentence: `CartFactory(room=room)`. Everything belongs to one department unless told otherwise."""

from .inventory import (
    BinFactory,
    CartFactory,
    CartKindFactory,
    ConsumableFactory,
    DepartmentFactory,
    LotFactory,
    PackagingFactory,
    RoomFactory,
    SizeRunFactory,
    StockingLineFactory,
    StoreroomFactory,
    UserFactory,
)
from .restock import (
    CaseFactory,
    CaseTypeFactory,
    ExtraFactory,
    PolicyFactory,
    SetupStandardFactory,
    SizeClassFactory,
    TechniqueFactory,
)

__all__ = [
    "BinFactory",
    "CartFactory",
    "CartKindFactory",
    "CaseFactory",
    "CaseTypeFactory",
    "ConsumableFactory",
    "DepartmentFactory",
    "ExtraFactory",
    "LotFactory",
    "PackagingFactory",
    "PolicyFactory",
    "RoomFactory",
    "SetupStandardFactory",
    "SizeClassFactory",
    "SizeRunFactory",
    "StockingLineFactory",
    "StoreroomFactory",
    "TechniqueFactory",
    "UserFactory",
]
