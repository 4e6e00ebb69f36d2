import pytest

from inventory.importing.column_maps import ColumnMap, read_column_map
from inventory.importing.problems import SheetRefused

from .conftest import COLUMNS

KINDS = {"stock": COLUMNS, "names": COLUMNS[:1]}


def test_column_map_serves_every_kind_of_sheet(csv_file):
    content = (
        'date_order = "dmy"\n[columns]\n"Artikel Nr." = "code"\nAnzahl = "used"\n[columns.names]\n"Kürzel" = "code"\n'
    )

    read = read_column_map(csv_file(content, name="map.toml"), KINDS)

    assert read == ColumnMap({"Artikel Nr.": "code", "Anzahl": "used"}, {"names": {"Kürzel": "code"}}, "dmy")
    assert read.shared_with(KINDS["names"]) == {"Artikel Nr.": "code"}
    assert (read.of_kind("names"), read.of_kind("stock")) == ({"Kürzel": "code"}, {})


@pytest.mark.parametrize(
    ("content", "found"),
    [
        (
            '[columns]\n"Anzahl" = "quantity"\n',
            "“Anzahl” = “quantity”; expected a standard name, one of code, used",
        ),
        ('[columns]\n"Anzahl" = 3\n', "“Anzahl” = “3”"),
        ('[columns]\n"Anzahl" = ["used"]\n', "“Anzahl” = “['used']”"),
        ('[columns.names]\n"Anzahl" = "used"\n', "“Anzahl” = “used” for names; expected a standard name, one of code."),
        ('[columns.nomes]\n"Kürzel" = "code"\n', "“columns.nomes”; expected one of columns.stock, columns.names"),
        ('date_order = "ymd"\n', "date_order = “ymd”; expected date_order ="),
        ('[columns]\ndate_order = "dmy"\n', "date_order inside [columns]; expected date_order ="),
        ('Anzahl = "used"\n', "no table [columns]"),
        ("", "no table [columns]"),
        ("[columns]\nAnzahl: used\n", "a fault in its TOML"),
        ("[columns]\n'Stück' = 'used'\n".encode("latin-1"), "a fault in its TOML"),
    ],
)
def test_column_map_with_a_fault_is_refused_with_its_cause(csv_file, content, found):
    with pytest.raises(SheetRefused, match=r"map\.toml") as refused:
        read_column_map(csv_file(content, name="map.toml"), KINDS)

    assert found in str(refused.value)


def test_missing_column_map_is_refused(tmp_path):
    with pytest.raises(SheetRefused, match="No such file"):
        read_column_map(tmp_path / "map.toml", KINDS)
