"""Workbooks as they come: openpyxl is the reference reader, and files are damaged on purpose."""

import gc
import io
import zipfile
from contextlib import suppress
from datetime import date, datetime, time

import openpyxl
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from inventory.importing import xlsx
from inventory.importing.problems import SheetRefused
from inventory.importing.values import FaultyCell
from inventory.importing.xlsx import MOST_COLUMNS, Workbook

TEXT = st.text(st.characters(codec="utf-8", exclude_categories=["Cc", "Cs"], exclude_characters="\ufffe\uffff"))
CELL = (
    st.none()
    | st.booleans()
    | st.integers(-(10**14), 10**14)
    | st.floats(-1e9, 1e9, allow_subnormal=False)
    | st.datetimes(datetime(1905, 1, 1), datetime(2099, 1, 1)).map(lambda moment: moment.replace(microsecond=0))
    | TEXT.map(lambda text: text.strip() if not text.startswith("=") else None)
)


FORMULA_ROWS = (2, 3, xlsx.ROWS_AT_ONCE, xlsx.ROWS_AT_ONCE + 1, 3 * xlsx.ROWS_AT_ONCE + 7)


def all_rows(path, sheet=None):
    with Workbook(path) as book:
        return list(book.rows(sheet or next(iter(book.sheets))))


def rewritten(path, part, change):
    """The same workbook with the XML of one part changed."""
    packed = io.BytesIO()
    with zipfile.ZipFile(path) as old, zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as new:
        for name in old.namelist():
            content = old.read(name)
            new.writestr(name, change(content) if name == part else content)
    path.write_bytes(packed.getvalue())
    return path


def with_cells(workbook, cells):
    """A workbook whose only row is the given XML."""
    return rewritten(
        workbook(["x"]),
        "xl/worksheets/sheet1.xml",
        lambda xml: xml[: xml.index(b"<row")] + f"<row>{cells}</row></sheetData></worksheet>".encode(),
    )


@settings(max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)
@given(rows=st.lists(st.lists(CELL, min_size=1, max_size=5), min_size=1, max_size=6))
def test_cells_are_what_openpyxl_reads(tmp_path, rows):
    path = tmp_path / "book.xlsx"
    book = openpyxl.Workbook()
    for row in rows:
        book.active.append(row)
    book.save(path)

    def filled(cells):
        values = [cell.strip() if isinstance(cell, str) else cell for cell in cells]
        while values and values[-1] in (None, ""):
            values.pop()
        return [None if value == "" else value for value in values]

    reference = openpyxl.load_workbook(path, data_only=True).active.iter_rows(values_only=True)
    expected = [(number, filled(cells)) for number, cells in enumerate(reference, start=1)]
    assert all_rows(path) == [(number, cells) for number, cells in expected if cells]


def test_dates_and_times_keep_their_kind(workbook):
    path = workbook([date(2026, 3, 4), time(8, 30), datetime(2026, 3, 4, 8, 30), 46085])

    assert all_rows(path) == [(1, [datetime(2026, 3, 4), time(8, 30), datetime(2026, 3, 4, 8, 30), 46085])]


def test_formula_never_calculated_is_told_from_an_empty_cell(workbook):
    ((_, cells),) = all_rows(workbook(["=1+1", None, "end"]))

    assert isinstance(cells[0], FaultyCell)
    assert "save it there" in cells[0].expected
    assert cells[1:] == [None, "end"]


def test_formula_is_read_by_its_stored_result(workbook):
    path = with_cells(workbook, '<c r="A1"><f>1+1</f><v>2</v></c><c r="B1" t="str"><f>"a"</f><v>a</v></c>')

    assert all_rows(path) == [(1, [2, "a"])]


def test_results_are_matched_to_their_formulas_across_blank_rows_and_batches(workbook):
    """Formulas and results come from two readings of the sheet that must stay in step."""
    path = rewritten(
        workbook(["x"]),
        "xl/worksheets/sheet1.xml",
        lambda xml: (
            xml[: xml.index(b"<row")]
            + b"".join(b'<row r="%d"><c><f>1+1</f><v>%d</v></c><c><v>7</v></c></row>' % (n, n) for n in FORMULA_ROWS)
            + b"</sheetData></worksheet>"
        ),
    )

    assert all_rows(path) == [(number, [number, 7]) for number in FORMULA_ROWS]


def test_formula_without_result_in_one_row_leaves_the_next_row_its_own(workbook):
    path = workbook(["=1+1", 1], ["text", 2], ["=#REF!", 3])

    assert [(number, type(cells[0]).__name__, cells[1]) for number, cells in all_rows(path)] == [
        (1, "FaultyCell", 1),
        (2, "str", 2),
        (3, "FaultyCell", 3),
    ]


def test_text_that_looks_like_a_formula_or_an_error_stays_text(workbook):
    path = with_cells(workbook, '<c t="str"><v>=1+1</v></c><c t="str"><v>#VALUE!</v></c>')

    assert all_rows(path) == [(1, ["=1+1", "#VALUE!"])]


def test_clock_shown_as_hours_beyond_24_is_read_as_a_time(tmp_path):
    book = openpyxl.Workbook()
    book.active.append([time(8, 30), datetime(2026, 3, 4, 8, 30), -5e9])
    for cell in book.active[1]:
        cell.number_format = "[h]:mm"
    book.save(tmp_path / "book.xlsx")

    ((_, cells),) = all_rows(tmp_path / "book.xlsx")
    assert cells[:2] == [time(8, 30), datetime(2026, 3, 4, 8, 30)]
    assert isinstance(cells[2], FaultyCell)


def test_error_value_and_impossible_day_are_faults(workbook):
    path = workbook([date(2026, 3, 4)])
    rewritten(
        path,
        "xl/worksheets/sheet1.xml",
        lambda xml: xml.replace(b"<v>46085</v>", b"<v>99999999999</v>").replace(
            b"</row>", b'<c r="C1" t="e"><v>#REF!</v></c></row>'
        ),
    )
    ((_, cells),) = all_rows(path)

    assert cells[0].found == "the error “#VALUE!” or a number shown as a date that no calendar has"
    assert cells[2].found == "the error “#REF!”"


def test_number_in_scientific_form_is_read_as_the_whole_number_it_is(workbook):
    assert all_rows(with_cells(workbook, "<c><v>1.234567890128E12</v></c>")) == [(1, [1234567890128])]


SHARED_TEXTS = (
    b'<sst xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main"><si><t>IV01 </t></si>'
    b"<si><r><t>tube </t></r><r><t>7.0</t></r><rPh sb='0' eb='1'><t>chubu</t></rPh></si><si><t>a_x000A_b</t></si></sst>"
)


def test_shared_text_is_found_with_rich_text_joined_and_phonetic_guide_left_out(workbook):
    """Excel keeps texts in a table of their own; openpyxl writes them into the cells."""
    path = with_cells(workbook, '<c t="s"><v>1</v></c><c t="s"><v>0</v></c><c t="s"><v>2</v></c>')
    rewritten(
        path,
        "[Content_Types].xml",
        lambda xml: xml.replace(
            b"</Types>",
            b'<Override PartName="/xl/texts.xml" ContentType="application/vnd.openxmlformats-officedocument.'
            b'spreadsheetml.sharedStrings+xml"/></Types>',
        ),
    )
    with zipfile.ZipFile(path, "a") as archive:
        archive.writestr("xl/texts.xml", SHARED_TEXTS)

    assert all_rows(path) == [(1, ["tube 7.0", "IV01", "a\nb"])]


def test_workbook_whose_writer_prefixes_every_tag_is_read(workbook):
    def prefixed(xml):
        xml = xml.replace(b"xmlns=", b"xmlns:x=").replace(b"</", b"<//").replace(b"<", b"<x:")
        return xml.replace(b"<x://", b"</x:").replace(b"<x:?", b"<?")

    assert all_rows(rewritten(workbook(["IV01", 2]), "xl/worksheets/sheet1.xml", prefixed)) == [(1, ["IV01", 2])]


def test_hidden_sheet_is_marked(tmp_path):
    book = openpyxl.Workbook()
    book.create_sheet("Old").sheet_state = "hidden"
    book.save(tmp_path / "book.xlsx")

    with Workbook(tmp_path / "book.xlsx") as read:
        assert read.sheets == {"Sheet": True, "Old": False}


def refusal(path):
    with pytest.raises(SheetRefused) as refused:
        all_rows(path)
    return str(refused.value)


def test_stray_cell_far_to_the_right_is_refused(workbook):
    message = refusal(with_cells(workbook, '<c r="XFD1"><v>1</v></c>'))

    assert f"a cell beyond column {MOST_COLUMNS}" in message


def test_workbook_that_unzips_to_something_huge_is_refused_before_it_is_unpacked(workbook):
    path = rewritten(workbook(["x"]), "xl/worksheets/sheet1.xml", lambda _: b" " * (xlsx.HARMLESS_PART_BYTES + 1))

    assert path.stat().st_size < 100_000
    assert "unpacks to more than 200 times its size" in refusal(path)


def test_workbook_beyond_the_limit_is_refused_with_that_limit(workbook, monkeypatch):
    monkeypatch.setattr(xlsx, "MOST_BYTES_UNPACKED", 1024)

    message = refusal(workbook(["x"]))

    assert "unpacks to 0 MB; expected at most 0 MB" in message


def test_number_shown_with_decimals_comes_as_shown_where_that_is_asked_for(tmp_path):
    book = openpyxl.Workbook()
    for position, number_format in enumerate(("0.0", "0.00", "General", "0", "0.0", "0.0"), start=1):
        book.active.cell(row=1, column=position, value=(7, 6.5, 7, 7.25, 7.25, "7")[position - 1])
        book.active.cell(row=1, column=position).number_format = number_format
    book.save(tmp_path / "sizes.xlsx")

    with Workbook(tmp_path / "sizes.xlsx") as read:
        ((_, cells),) = read.rows("Sheet", as_shown=True)

    assert [getattr(cell, "shown", cell) for cell in cells] == ["7.0", "6.50", 7, 7.25, 7.25, "7"]


def test_zip_directory_that_understates_a_size_is_damaged(workbook):
    """zipfile stops at the size the directory states, so understating it cannot smuggle a bomb in."""
    path = workbook(["x" * 200])
    with zipfile.ZipFile(path) as archive:
        size = archive.getinfo("xl/worksheets/sheet1.xml").file_size
    content = path.read_bytes()
    path.write_bytes(content.replace(size.to_bytes(4, "little"), (size - 50).to_bytes(4, "little")))

    assert "cut short or damaged" in refusal(path)


def test_entities_that_multiply_are_refused(workbook):
    bomb = b'<!DOCTYPE a [<!ENTITY b "bbbbbbbb"><!ENTITY c "&b;&b;&b;&b;">]><worksheet>&c;</worksheet>'

    assert "document type" in refusal(rewritten(workbook(["x"]), "xl/worksheets/sheet1.xml", lambda _: bomb))


def test_locked_zip_is_refused(workbook):
    path = workbook(["x"])
    content = bytearray(path.read_bytes())
    content[content.index(b"PK\x01\x02") + 8] |= 0x1  # the directory's encryption flag
    path.write_bytes(content)

    assert "password" in refusal(path)


@pytest.mark.parametrize(
    ("parts", "found"),
    [
        ({"readme.txt": b"x"}, "a zip archive that is not a workbook"),
        ({"_rels/.rels": b"<Relationships/>"}, "a file without a workbook in it"),
        (
            {
                "_rels/.rels": b"<Relationships><Relationship Id='a' Type='x/officeDocument' "
                b"Target='xl/workbook.bin'/></Relationships>",
                "xl/workbook.bin": b"",
            },
            "a binary workbook (.xlsb)",
        ),
    ],
)
def test_other_zip_archive_is_refused(tmp_path, parts, found):
    path = tmp_path / "book.xlsx"
    with zipfile.ZipFile(path, "w") as archive:
        for name, content in parts.items():
            archive.writestr(name, content)

    assert found in refusal(path)


def test_row_numbered_beyond_what_the_format_allows_is_refused(workbook):
    path = rewritten(
        workbook(["x"]), "xl/worksheets/sheet1.xml", lambda xml: xml.replace(b'<row r="1"', b'<row r="4000000000"')
    )

    assert "a row beyond 1048576" in refusal(path)


def test_sheet_wider_or_longer_than_it_states_is_read_whole(workbook):
    path = rewritten(
        workbook(["a", "b"], ["c", "d"]), "xl/worksheets/sheet1.xml", lambda xml: xml.replace(b'"A1:B2"', b'"A1:A1"')
    )

    assert all_rows(path) == [(1, ["a", "b"]), (2, ["c", "d"])]


def test_strict_workbook_is_refused_rather_than_read_as_empty(workbook):
    """openpyxl finds no cells in the strict variant of the format, and says nothing."""
    path = workbook(["x"])
    transitional, strict = b"http://schemas.openxmlformats.org/", b"http://purl.oclc.org/ooxml/"
    for part in ("_rels/.rels", "xl/_rels/workbook.xml.rels", "xl/workbook.xml", "xl/worksheets/sheet1.xml"):
        rewritten(path, part, lambda xml: xml.replace(transitional, strict))

    assert "Strict Open XML" in refusal(path)


def test_part_of_a_workbook_that_openpyxl_leaves_out_is_not_remarked_on(workbook):
    """Warnings are errors here; Excel writes such an extension for a drop-down list on another sheet."""
    extension = b'<extLst><ext uri="{CCE6A557-97BC-4B89-ADB6-D9C93CAAB3DF}"/></extLst></worksheet>'
    path = rewritten(workbook(["x"]), "xl/worksheets/sheet1.xml", lambda xml: xml.replace(b"</worksheet>", extension))

    assert all_rows(path) == [(1, ["x"])]


def test_other_office_document_is_refused(workbook):
    path = rewritten(
        workbook(["x"]),
        "[Content_Types].xml",
        lambda xml: xml.replace(b"spreadsheetml.sheet.main", b"wordprocessingml.document.main"),
    )

    assert "a file without a workbook in it" in refusal(path)


def test_file_is_closed_after_reading_and_after_a_refusal(workbook):
    path = workbook(["=1+1"], ["x"])
    with Workbook(path) as book:
        next(book.rows("Sheet1"))
    del book
    with pytest.raises(SheetRefused):
        Workbook(rewritten(workbook(["x"]), "xl/workbook.xml", lambda xml: xml[:-20]))
    # A file left open raises ResourceWarning when it is collected, and warnings are errors here.
    gc.collect()


def test_progress_ends_with_the_whole_file(workbook):
    path = workbook(*[["x", number] for number in range(2 * xlsx.ROWS_AT_ONCE)])
    seen = []
    with Workbook(path) as book:
        list(book.rows("Sheet1", lambda done, total: seen.append((done, total))))

    assert seen == sorted(seen)
    assert seen[-1] == (path.stat().st_size, path.stat().st_size)


@settings(max_examples=150, suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)
@given(data=st.data())
def test_damaged_workbook_is_refused_or_read_but_never_fails_otherwise(workbook, data):
    path = workbook(["code", "used"], ["IV01", 1], ["IV02", date(2026, 3, 4)])
    content = bytearray(path.read_bytes())
    place = st.integers(0, 10**6).map(lambda number: number % len(content))
    if data.draw(st.booleans(), "cut short"):
        del content[data.draw(place) :]
    else:
        for damaged in data.draw(st.lists(place, min_size=1, max_size=5)):
            content[damaged] = data.draw(st.integers(0, 255))
    path.write_bytes(content)

    with suppress(SheetRefused):
        all_rows(path)
