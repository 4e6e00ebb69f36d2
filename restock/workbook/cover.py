"""The cover sheet: what this list is, what it rests on, how to use it, and what it must not be taken for."""

from collections.abc import Sequence
from itertools import zip_longest

from django.utils import dateformat
from django.utils.translation import gettext as _
from django.utils.translation import gettext_lazy, ngettext
from openpyxl.styles import Alignment, Border, Font
from openpyxl.worksheet.worksheet import Worksheet

from inventory.models import Place
from restock.reasons import how_many_short

from .contents import CartRow, PickList, lines_of, picks_of, pieces_of
from .layout import BOLD, BOX, FAINT, LINE, PLAIN, TICK_BOX, fit_height, put, put_across, put_title, set_widths
from .references import fingerprint

HOW_TO = (
    gettext_lazy(
        "1. Walk each storeroom sheet from top to bottom. Under Picked write the pieces you really took: less or "
        "more is fine, 0 where you looked and found none, nothing where you have not been. Where you took another lot, "
        "write its number over the one printed."
    ),
    gettext_lazy("2. Each cart has a sheet in drawer order. Tick what is in. A reason stands beside every quantity."),
    gettext_lazy(
        "3. Type the Picked numbers into this file, save it as .xlsx and give it back: manage.py confirm FILE.xlsx "
        "--by YOU. Confirming twice changes nothing; rows filled in later can be confirmed later."
    ),
    gettext_lazy(
        "Rows may be filtered, deleted, or sorted with all their columns. Leave the Reference column and the line at "
        "the foot of this sheet alone."
    ),
)

# The cautions of the trade; the first two rest on AAGBI 2012, ASA 2008 and ASHP 2017, latex on 21 CFR 801.437.
CAUTIONS = (
    gettext_lazy("This list does not replace the equipment check before use, which remains the anaesthetist's duty."),
    gettext_lazy("Not for controlled drugs and not for drug doses."),
    gettext_lazy(
        "Expired, recalled or damaged: do not use, set aside. A date printed here is no proof: read the pack."
    ),
    gettext_lazy("Counts are estimates between counts; their age stands beside them."),
    gettext_lazy("Latex: read the label. No statement here means that nothing is known."),
    gettext_lazy(
        "Emergency carts are sealed, checked and signed for by a person. No list declares a cart or a room fit for use."
    ),
    gettext_lazy("Sizes and substitutes are reminders; the clinician decides."),
    gettext_lazy("Single-use means single use. What was opened and not used is waste, never a return."),
    gettext_lazy("Local policy and the maker's instructions come first."),
    gettext_lazy("This list works on paper. When the system is down, go on with it and type the numbers in later."),
)

METHODS = {
    "tilted-dirichlet": gettext_lazy(
        "what each kind of case used before, leaning on the set-up standard where the log is thin"
    ),
}

WIDTHS = (4, 28, 7, 7, 2, 4, 28, 7, 7)  # two blocks side by side: box, cart, add, short


def write_cover(sheet: Worksheet, contents: PickList) -> None:
    plan = contents.plan
    set_widths(sheet, WIDTHS)
    row = put_title(
        sheet, _("Pick list for %(day)s") % {"day": dateformat.format(plan.for_date, _("l j F Y"))}, [], len(WIDTHS)
    )
    for label, text in _facts(contents):
        row = _put_fact(sheet, row, label, text)
    row = _put_paragraphs(sheet, row + 1, _("How to use it"), HOW_TO)
    row = _put_carts(sheet, row + 1, contents)
    row = _put_paragraphs(sheet, row + 1, _("Cautions"), CAUTIONS)
    put_across(sheet, row + 1, 1, len(WIDTHS), str(fingerprint(plan)), font=FAINT)


def _facts(contents: PickList) -> list[tuple[str, str]]:
    plan = contents.plan
    made_at = plan.department.local_time(plan.made_at)
    picks = [row.pick for _, rows in contents.storerooms for row in rows]
    pieces = sum(pick.quantity for pick in picks)
    storerooms = ", ".join(storeroom.name for storeroom, _ in contents.storerooms)
    short = sum(row.shortage.short_by for row in contents.shortages)
    nothing = _("Nothing known missing after everything on this list is carried.")
    if contents.out_of_reach:
        nothing = _("Nothing known missing on the carts after everything on this list is carried.")
    made = {"when": dateformat.format(made_at, _("l j F Y, H:i")), "who": plan.by and plan.by.get_username()}
    facts = [
        (_("Department"), plan.department.name),
        (_("Made"), _("%(when)s by %(who)s") % made if plan.by else made["when"]),
        (
            _("To carry"),
            _("%(pieces)s in %(picks)s, from %(storerooms)s")
            % {"pieces": pieces_of(pieces), "picks": picks_of(len(picks)), "storerooms": storerooms}
            if picks
            else _("nothing"),
        ),
        (
            _("Short"),
            _("%(lines)s by %(pieces)s together. %(how_many_short)s See the sheet Shortages.")
            % {
                "lines": lines_of(len(contents.shortages)),
                "pieces": pieces_of(short),
                "how_many_short": how_many_short([row.p_short for row in contents.shortages]),
            }
            if contents.shortages
            else nothing,
        ),
    ]
    if contents.out_of_reach:
        unserved = _("%(lines)s that listed cases likely use and no cart in reach keeps. See the sheet Shortages.")
        facts.append((_("No cart"), unserved % {"lines": lines_of(len(contents.out_of_reach))}))
    rests_on = _(
        "%(listed)s for the day and %(logged)s of the past. Method: %(method)s. Every number is an estimate."
    ) % {
        "listed": ngettext("%(n)s listed case", "%(n)s listed cases", plan.inputs["listed_cases"])
        % {"n": plan.inputs["listed_cases"]},
        "logged": ngettext("%(n)s logged case", "%(n)s logged cases", plan.inputs["logged_cases"])
        % {"n": plan.inputs["logged_cases"]},
        "method": _method(plan.method),
    }
    return [*facts, (_("Counts"), contents.count_ages), (_("Based on"), rests_on)]


def _method(method: str) -> str:
    """The method in plain words with its version, "name-2"; one that has no plain words keeps its name."""
    name, version = method.rsplit("-", 1) if "-" in method else (method, "")
    if name not in METHODS:
        return method
    return _("%(method)s (version %(version)s)") % {"method": METHODS[name], "version": version}


def _put_fact(sheet: Worksheet, row: int, label: str, text: str) -> int:
    put(sheet.cell(row, 1), label, font=BOLD, alignment=Alignment(vertical="top"))
    put_across(sheet, row, 3, len(WIDTHS), text)
    return row + 1


def _put_paragraphs(sheet: Worksheet, row: int, title: str, paragraphs: tuple[str, ...]) -> int:
    _put_subtitle(sheet, row, title)
    for offset, text in enumerate(paragraphs, start=1):
        put_across(sheet, row + offset, 1, len(WIDTHS), text)
    return row + len(paragraphs) + 1


def _put_carts(sheet: Worksheet, row: int, contents: PickList) -> int:
    """The carts on this list, to tick off, in two blocks read downwards."""
    _put_subtitle(sheet, row, _("Carts on this list"))
    _put_cells(sheet, row + 1, 2 * [None, None, _("pieces to add"), _("pieces short"), None], font=FAINT)
    fit_height(sheet, row + 1, len(WIDTHS))
    row += 2
    half = -(-len(contents.carts) // 2)
    for left, right in zip_longest(contents.carts[:half], contents.carts[half:]):
        values = [*_cart_cells(left), None, *(_cart_cells(right) if right else ())]
        _put_cells(sheet, row, values)
        fit_height(sheet, row, len(WIDTHS))
        row += 1
    if contents.carts_without_rows:
        names = ", ".join(cart.name for cart in contents.carts_without_rows)
        put_across(
            sheet, row, 1, len(WIDTHS), _("Nothing known missing, hence no sheet: %(carts)s.") % {"carts": names}
        )
        row += 1
    return row


def _cart_cells(cart_with_rows: tuple[Place, tuple[CartRow, ...]]) -> list[str | int | None]:
    cart, rows = cart_with_rows
    add = sum(row.line.allocated for row in rows)
    short = sum(row.short_by for row in rows)
    return [TICK_BOX, cart.name, add, short or None]


def _put_cells(sheet: Worksheet, row: int, values: Sequence[str | int | None], *, font: Font = PLAIN) -> None:
    for column, value in enumerate(values, start=1):
        align = "left" if column in (2, 7) else "center"
        alignment = Alignment(horizontal=align, vertical="center", wrap_text=True)
        put(sheet.cell(row, column), value, font=BOX if value == TICK_BOX else font, alignment=alignment)


def _put_subtitle(sheet: Worksheet, row: int, title: str) -> None:
    put(sheet.cell(row, 1), title, font=BOLD, alignment=Alignment(vertical="bottom"))
    for column in range(1, len(WIDTHS) + 1):
        sheet.cell(row, column).border = Border(bottom=LINE)
