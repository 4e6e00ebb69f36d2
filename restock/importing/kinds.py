"""Every kind of sheet that a department may bring, in the order in which one stands on the other."""

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

from inventory.importing import bundles, catalogue, places, stock
from inventory.importing.columns import Column
from inventory.importing.loading import Loading, Outcome
from inventory.importing.sheets import Row
from inventory.importing.xlsx import Progress
from restock.schedule.applying import apply_list
from restock.schedule.rows import COLUMNS as CASE_COLUMNS
from restock.schedule.rows import read_slots
from restock.schedule.slots import CaseSlot

from . import case_types, setups, usage

ALL = "all"


def _rows(loading: Loading, progress: Progress | None = None) -> Iterable[Row]:
    return loading.table.rows(progress)


@dataclass(frozen=True)
class Kind:
    """One kind of sheet.

    read: from a table to what the door lets through; writes nothing. apply: checks all of it against the database,
    then writes. needs: the kinds without which its own words cannot be understood. options: keyword arguments that
    `apply` takes.
    """

    name: str
    columns: tuple[Column, ...]
    apply: Callable[..., Outcome]
    read: Callable[[Loading, Progress | None], Iterable] = _rows
    needs: tuple[str, ...] = ()
    options: frozenset[str] = frozenset()


def _apply_cases(slots: Sequence[CaseSlot], loading: Loading, *, part_of_day: bool = False) -> Outcome:
    return apply_list(slots, department=loading.department, at=loading.at, problems=loading, part_of_day=part_of_day)


KINDS: dict[str, Kind] = {
    kind.name: kind
    for kind in (
        Kind("catalogue", catalogue.COLUMNS, catalogue.load),
        Kind("bundles", bundles.COLUMNS, bundles.load, needs=("catalogue",)),
        Kind("places", places.COLUMNS, places.load),
        Kind("stock", stock.COLUMNS, stock.load, needs=("catalogue", "places"), options=frozenset({"only_pars"})),
        Kind("case-types", case_types.COLUMNS, case_types.load),
        Kind("setups", setups.COLUMNS, setups.load, needs=("catalogue", "case-types")),
        Kind(
            "cases",
            CASE_COLUMNS,
            _apply_cases,
            read=read_slots,
            needs=("places", "case-types", "setups"),
            options=frozenset({"part_of_day"}),
        ),
        Kind(
            "usage",
            usage.COLUMNS,
            usage.load,
            read=usage.read_usage,
            needs=("catalogue", "places", "stock", "cases"),
            options=frozenset({"keep_unmatched"}),
        ),
    )
}
