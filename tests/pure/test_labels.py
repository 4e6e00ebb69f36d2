"""Labels, read back from the printed page by a reader of another make (zxing-cpp, from a rendering by PDFium)."""

import json
from datetime import UTC, date, datetime

import pypdfium2
import pytest
import zxingcpp

from inventory.labels.codes import CodeKind, modules
from inventory.labels.layout import EDGE_MM, Label, laid_out
from inventory.labels.pdf import as_pdf, in_latin_1
from inventory.labels.sheets import SHEETS, Sheet, read_sheets
from inventory.labels.svg import as_svg
from inventory.scanning import OwnLabel, read_scan
from inventory.scanning.labels import bin_label_text, lot_label_text

NOON = datetime(2026, 3, 4, 12, tzinfo=UTC)
DOTS_PER_POINT = 300 / 72  # an office printer's 300 dots to the inch


def label(number: int) -> Label:
    text = bin_label_text(line=f"ETT-CUFFED-{number}.0", place=f"CART-{number:02}", bin="D2")
    return Label(text, "Tracheal tube, cuffed, high volume", f"{number}.0 mm", (f"Cart {number} · D2",))


def printed(pdf: bytes, page: int = 0):
    return pypdfium2.PdfDocument(pdf)[page].render(scale=DOTS_PER_POINT).to_pil()


def scanned(pdf: bytes, page: int = 0) -> list[str]:
    """What a scanner sends for every code on the page: symbology identifier and bytes."""
    codes = zxingcpp.read_barcodes(printed(pdf, page))
    return [code.symbology_identifier + code.bytes.decode() for code in codes]


@pytest.mark.parametrize("kind", CodeKind)
@pytest.mark.parametrize("sheet", SHEETS.values(), ids=SHEETS)
def test_every_label_of_a_printed_sheet_leads_to_its_line(sheet, kind):
    pdf = as_pdf(laid_out([label(n) for n in range(sheet.per_page)], sheet, kind), title="Labels", made_at=NOON)

    read = {read_scan(code, today=NOON.date()).label for code in scanned(pdf)}

    assert read == {OwnLabel(f"ETT-CUFFED-{n}.0", f"CART-{n:02}", "D2") for n in range(sheet.per_page)}


@pytest.mark.parametrize(("kind", "margin"), [(CodeKind.QR, 4), (CodeKind.DATAMATRIX, 1)])
def test_code_keeps_the_light_margin_that_its_standard_asks_for(kind, margin):
    """ISO/IEC 18004 asks for four modules around a QR code, ISO/IEC 16022 for one around a DataMatrix."""
    code = modules("EVENFILL:BIN:A/B/C", kind)
    columns = list(zip(*code, strict=True))

    for edge in (code[:margin], code[-margin:], columns[:margin], columns[-margin:]):
        assert not any(any(line) for line in edge)
    assert any(any(line) for line in code)


def test_datamatrix_is_a_gs1_one_and_says_so():
    pdf = as_pdf(laid_out([label(7)], SHEETS["a4-21"], CodeKind.DATAMATRIX), title="Labels", made_at=NOON)

    assert scanned(pdf) == ["]d291EVENFILL:BIN:ETT-CUFFED-7.0/CART-07/D2"]


def test_label_of_a_lot_gives_lot_and_expiry_back():
    text = lot_label_text(line="IV-START", lot="B 0304/µ", expires_on=date(2026, 9, 30))
    pdf = as_pdf(laid_out([Label(text, "IV start bundle")], SHEETS["a4-65"], CodeKind.QR), title="Labels", made_at=NOON)

    scan = read_scan(scanned(pdf)[0], today=NOON.date())

    assert (scan.label.line, scan.lot, scan.expires_on) == ("IV-START", "B 0304/µ", date(2026, 9, 30))


@pytest.mark.parametrize("sheet", SHEETS.values(), ids=SHEETS)
def test_ink_stays_within_its_label(sheet):
    page = laid_out([label(n) for n in range(sheet.per_page)], sheet, CodeKind.QR)[0]
    corners = [sheet.corner(n) for n in range(sheet.per_page)]

    def inside(x, y, right, bottom):
        return any(
            left <= x and top <= y and right <= left + sheet.width and bottom <= top + sheet.height
            for left, top in corners
        )

    assert all(inside(x, y, x + width, y + height) for x, y, width, height in page.bars)
    assert all(inside(words.x, words.y, words.x + EDGE_MM, words.y) for words in page.words)


@pytest.mark.parametrize("sheet", SHEETS.values(), ids=SHEETS)
def test_size_is_never_cut_off_however_long_the_name(sheet):
    long = Label("EVENFILL:BIN:A/B/C", "A name of many words that no label of any sheet could ever hold " * 3, "7.0 mm")

    assert "7.0 mm" in [words.text for words in laid_out([long], sheet, CodeKind.QR)[0].words]


def test_labels_go_on_where_a_used_sheet_ends():
    sheet = SHEETS["a4-21"]
    pages = laid_out([label(n) for n in range(30)], sheet, CodeKind.QR, first=20)
    pdf = as_pdf(pages, title="Labels", made_at=NOON)

    assert [len(scanned(pdf, page)) for page in range(3)] == [1, 21, 8]


def test_shift_moves_everything_by_so_much():
    plain, shifted = (
        laid_out([label(1)], SHEETS["a4-21"], CodeKind.QR, right_mm=right, down_mm=down)[0]
        for right, down in ((0, 0), (1.5, -2))
    )

    assert shifted.bars[0][:2] == pytest.approx((plain.bars[0][0] + 1.5, plain.bars[0][1] - 2))
    assert shifted.words[0].x == pytest.approx(plain.words[0].x + 1.5)


def test_page_for_the_browser_has_the_same_bars_and_words_and_escapes_them():
    page = laid_out([Label("EVENFILL:BIN:A/B/C", "Tape <wide> & long")], SHEETS["a4-21"], CodeKind.QR)[0]
    svg = as_svg(page, description="Labels")

    assert svg.count("z") >= len(page.bars)
    assert "&lt;wide&gt; &amp;" in svg
    assert "style=" not in svg  # the content security policy allows none


def test_letters_that_the_pdf_fonts_lack_are_replaced_by_near_ones():
    assert in_latin_1("Čajka – 5 µm ≥ 2 日") == "Cajka - 5 µm >= 2 ?"


class TestSheets:
    OWN = {
        "key": "own", "paper": "A4", "columns": 2, "rows": 2, "width": 90, "height": 50, "left": 10, "top": 10,
        "pitch_x": 95, "pitch_y": 60,
    }  # fmt: skip

    def test_of_the_department_come_first(self):
        assert next(iter(read_sheets(json.dumps([self.OWN])))) == "own"
        assert read_sheets("") == SHEETS

    @pytest.mark.parametrize(
        ("wrong", "said"),
        [
            ({"width": 190}, "beyond"),
            ({"columns": 5}, "beyond"),
            ({"pitch_x": 20}, "over each other"),
            ({"paper": "A0"}, "paper"),
            ({"height": 5}, "at least"),
        ],
    )
    def test_that_cannot_be_are_refused(self, wrong, said):
        with pytest.raises(ValueError, match=said):
            read_sheets(json.dumps([self.OWN | wrong]))

    @pytest.mark.parametrize("text", ["[1]", "{}", '[{"key": "own"}]', "no json"])
    def test_setting_that_is_no_list_of_sheets_is_refused(self, text):
        with pytest.raises(ValueError):  # noqa: PT011
            read_sheets(text)

    def test_positions_are_counted_row_by_row(self):
        sheet = Sheet("t", "A4", 2, 2, 90, 50, 10, 20, 95, 60)

        assert [sheet.corner(n) for n in range(4)] == [(10, 20), (105, 20), (10, 80), (105, 80)]
