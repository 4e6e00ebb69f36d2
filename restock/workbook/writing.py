"""The sheets of a pick list: cover, one per storeroom, one per cart, shortages."""

from datetime import date
from pathlib import Path
from typing import BinaryIO

from django.utils import dateformat
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy, gettext_noop
from openpyxl import Workbook
from openpyxl.worksheet.datavalidation import DataValidation
from openpyxl.worksheet.worksheet import Worksheet

from inventory.models import Consumable, Place
from restock.models import Plan, Substitution
from restock.reasons import enough_for, how_many_short

from .contents import CartRow, PickList, PickRow, ShortRow, lines_of, pick_list, pieces_of
from .cover import write_cover
from .layout import (
    BOLD,
    BOX,
    FAINT,
    TICK_BOX,
    Heading,
    Paper,
    TableRow,
    put_table,
    put_title,
    set_up_page,
    set_widths,
    sheet_name,
    use_own_font,
)
from .reading import ANY_LOT, CODE, FOR_CART, LOT, MOST_PICKED, PICK_FROM, PICKED, REFERENCE
from .references import reference

# The cautions on one line of every page; the cover has them in full.
CAUTION = gettext_lazy(
    "Counts are estimates. Read the pack: do not use what is expired, recalled or damaged. "
    "Does not replace the equipment check."
)

CARTS_ON_ONE_PAGE = 40  # a cover with more runs on to a second page rather than become too small to read

STOREROOM = (
    Heading("", 4, "center", BOX),
    Heading(gettext_noop("Bin"), 13, font=BOLD),
    Heading(CODE, 8),
    Heading(gettext_noop("Name"), 34),
    Heading(gettext_noop("Size"), 18),
    Heading(LOT, 13),
    Heading(gettext_noop("Use by"), 11, "center", format="yyyy-mm-dd"),
    Heading(gettext_noop("In all"), 26, indent=1),
    Heading(FOR_CART, 28, indent=1),
    Heading(gettext_noop("Pieces"), 7, "center", BOLD, "0"),
    Heading(PICKED, 9, "center", BOLD, "0", boxed=True),
    Heading(REFERENCE, 13, "center", FAINT),
)
SAID_ONCE = tuple(heading.title for heading in STOREROOM[1:7])  # of the lots in one bin, in the first row only
CART = (
    Heading("", 4, "center", BOX),
    Heading(gettext_noop("Bin"), 15, font=BOLD),
    Heading(gettext_noop("Code"), 8),
    Heading(gettext_noop("Name"), 42),
    Heading(gettext_noop("On hand"), 8, "center", format="0"),
    Heading(gettext_noop("Counted ago"), 9, "center"),
    Heading(gettext_noop("Add"), 7, "center", BOLD, "0"),
    Heading(gettext_noop("Still short"), 6, "center", format="0"),
    Heading(gettext_noop("Added"), 9, "center", BOLD, "0", boxed=True),
    Heading(gettext_noop("Why"), 84, font=FAINT, indent=1),
)
SHORTAGES = (
    Heading(gettext_noop("Cart"), 24, font=BOLD),
    Heading(gettext_noop("Bin"), 15),
    Heading(gettext_noop("Code"), 8),
    Heading(gettext_noop("Name"), 38),
    Heading(gettext_noop("Short by"), 8, "center", BOLD, "0"),
    Heading(gettext_noop("As it will stand"), 22, indent=1),
    Heading(gettext_noop("Cause"), 30, indent=1),
    Heading(gettext_noop("Why"), 56, indent=1),
)


def write_workbook(plan: Plan, target: Path | BinaryIO, *, paper: Paper = Paper.A4) -> None:
    """Write the pick list of a stored plan as an .xlsx workbook to a path or an open binary file.

    The plan is only read. The same plan gives the same sheets, so a lost workbook can be written again.
    """
    contents = pick_list(plan)
    workbook = Workbook()
    use_own_font(workbook)
    cover = workbook.active
    cover.title = _("Cover")
    write_cover(cover, contents)
    _finish(cover, plan, paper, _("Cover"), landscape=False, one_page=len(contents.carts) <= CARTS_ON_ONE_PAGE)

    for storeroom, rows in contents.storerooms:
        sheet = workbook.create_sheet(sheet_name(storeroom.name, workbook.sheetnames))
        _write_storeroom(sheet, plan, storeroom, rows)
        _finish(sheet, plan, paper, _(PICK_FROM) % {"storeroom": storeroom.name})
    for cart, rows in contents.carts:
        sheet = workbook.create_sheet(sheet_name(cart.name, workbook.sheetnames))
        _write_cart(sheet, plan, cart, rows)
        _finish(sheet, plan, paper, _("Fill %(name)s") % {"name": cart.name})
    sheet = workbook.create_sheet(sheet_name(_("Shortages"), workbook.sheetnames))
    _write_shortages(sheet, contents)
    _finish(sheet, plan, paper, _("Shortages"))

    workbook.properties.title = _("Pick list for %(for_date)s") % {"for_date": plan.for_date}
    workbook.properties.creator = "Evenfill"
    workbook.save(target)


def _write_storeroom(sheet: Worksheet, plan: Plan, storeroom: Place, rows: tuple[PickRow, ...]) -> None:
    set_widths(sheet, [heading.width for heading in STOREROOM])
    heading_row = put_title(
        sheet,
        _(PICK_FROM) % {"storeroom": storeroom.name},
        [
            _(
                "For %(day)s, in walking order. Write under Picked how many pieces you really took, less or "
                "more than suggested; 0 where you looked and found none; nothing where you have not been. Where "
                "you took another lot, write its number over the one printed."
            )
            % {"day": _day(plan.for_date)}
        ],
        len(STOREROOM),
    )
    put_table(sheet, heading_row, STOREROOM, [_pick_row(plan, row) for row in rows])

    column = next(cell.column_letter for cell in sheet[heading_row] if cell.value == _(PICKED))
    whole = DataValidation(type="whole", operator="between", formula1="0", formula2=str(MOST_PICKED), allow_blank=True)
    whole.errorTitle, whole.error = (
        _("Whole pieces"),
        _("Write a whole number of pieces from 0 to %(most_picked)s.") % {"most_picked": MOST_PICKED},
    )
    whole.promptTitle, whole.prompt = _("Pieces taken"), _("0 = looked and found none. Leave empty = not done yet.")
    whole.showErrorMessage = whole.showInputMessage = True
    whole.add(f"{column}{heading_row + 1}:{column}{heading_row + len(rows)}")
    sheet.add_data_validation(whole)


def _pick_row(plan: Plan, row: PickRow) -> TableRow:
    pick, consumable = row.pick, row.pick.plan_line.consumable
    return TableRow(
        [
            TICK_BOX,
            pick.bin.code if pick.bin else _("no bin"),
            consumable.code,
            _counted_in(consumable.name, consumable),
            consumable.size,
            pick.lot.number if pick.lot else _(ANY_LOT),
            pick.lot.expires_on if pick.lot else None,
            row.in_all if row.opens_group else None,
            pick.plan_line.place.name,
            pick.quantity,
            None,
            reference(pick, plan),
        ],
        ruled=row.opens_group,
        faint=() if row.opens_group else SAID_ONCE,
    )


def _write_cart(sheet: Worksheet, plan: Plan, cart: Place, rows: tuple[CartRow, ...]) -> None:
    set_widths(sheet, [heading.width for heading in CART])
    where = _("A shared cart: bring to where it is kept.")
    if cart.room:
        where = _("Bring to room %(room)s.") % {"room": cart.room.code}
    heading_row = put_title(
        sheet,
        cart.name,
        [
            _(
                "For %(day)s. %(where)s %(lines)s in drawer order, %(pieces)s to add. "
                "Only lines that need pieces or a count are listed."
            )
            % {
                "day": _day(plan.for_date),
                "where": where,
                "lines": lines_of(len(rows)),
                "pieces": pieces_of(sum(row.line.allocated for row in rows)),
            }
        ],
        len(CART),
    )
    bins = [row.bin for row in rows]
    table = [_cart_row(row, opens_bin=row.bin != before) for row, before in zip(rows, [..., *bins], strict=False)]
    put_table(sheet, heading_row, CART, table)


def _cart_row(row: CartRow, *, opens_bin: bool) -> TableRow:
    line = row.line
    return TableRow(
        [
            TICK_BOX,
            row.bin.code if row.bin else _("no bin"),
            line.consumable.code,
            _counted_in(line.consumable.label, line.consumable),
            line.on_hand,
            row.count_age,
            line.allocated,
            row.short_by or None,
            None,
            str(line.reason),
        ],
        ruled=opens_bin,
    )


def _write_shortages(sheet: Worksheet, contents: PickList) -> None:
    set_widths(sheet, [heading.width for heading in SHORTAGES])
    said = _("For %(day)s: nothing known missing after everything on this list is carried.") % {
        "day": _day(contents.plan.for_date)
    }
    if contents.shortages:
        said = _(
            "For %(day)s: what stays short after everything on this list has been carried, worst first. "
            "%(how_many_short)s A clinician decides what stands in for what."
        ) % {
            "day": _day(contents.plan.for_date),
            "how_many_short": how_many_short([row.p_short for row in contents.shortages]),
        }
    heading_row = put_title(sheet, _("Shortages"), [said, *contents.out_of_reach], len(SHORTAGES))
    put_table(sheet, heading_row, SHORTAGES, [_shortage_row(row) for row in contents.shortages])


def _shortage_row(row: ShortRow) -> TableRow:
    shortage, line = row.shortage, row.shortage.plan_line
    return TableRow(
        [
            line.place.name,
            row.bin.code if row.bin else _("no bin"),
            line.consumable.code,
            _counted_in(line.consumable.label, line.consumable),
            shortage.short_by,
            str(enough_for(row.p_short)),
            str(shortage.get_cause_display()),
            " ".join([str(shortage.why), *(_may_stand_in(card) for card in row.stand_ins)]),
        ]
    )


def _may_stand_in(card: Substitution) -> str:
    return _("May stand in until %(until)s: %(line)s (%(differences)s), agreed by %(who)s.") % {
        "until": card.until,
        "line": card.stand_in.label,
        "differences": card.differences,
        "who": card.agreed_by.get_username(),
    }


def _finish(
    sheet: Worksheet, plan: Plan, paper: Paper, what: str, *, landscape: bool = True, one_page: bool = False
) -> None:
    made_at = plan.department.local_time(plan.made_at)
    set_up_page(
        sheet,
        paper=paper,
        landscape=landscape,
        one_page=one_page,
        left=plan.department.name,
        centre=what,
        right=_("for %(for_date)s, made %(made_at)s")
        % {"for_date": plan.for_date, "made_at": f"{made_at:%Y-%m-%d %H:%M}"},
        caution=CAUTION,
    )


def _counted_in(name: str, consumable: Consumable) -> str:
    """The name, with what one piece is where that is not simply one."""
    return name if consumable.unit == "each" else f"{name} ({consumable.unit})"


def _day(day: date) -> str:
    return dateformat.format(day, _("l j F Y"))
