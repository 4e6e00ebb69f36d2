import pytest

from inventory.importing.columns import read_column_map
from inventory.importing.problems import SheetRefused

from .conftest import COLUMNS


def test_column_map_is_read(csv_file):
    path = csv_file('[columns]\n"Artikel Nr." = "code"\nAnzahl = "used"\n', name="map.toml")

    assert read_column_map(path, COLUMNS) == {"Artikel Nr.": "code", "Anzahl": "used"}


@pytest.mark.parametrize(
    ("content", "found"),
    [
        (
            '[columns]\n"Anzahl" = "quantity"\n',
            "“Anzahl” = “quantity”; expected a standard name, one of code, used",
        ),
        ('[columns]\n"Anzahl" = 3\n', "“Anzahl” = “3”"),
        ('[columns]\n"Anzahl" = ["used"]\n', "“Anzahl” = “['used']”"),
        ('Anzahl = "used"\n', "no table [columns]"),
        ("[columns]\nAnzahl: used\n", "a fault in its TOML"),
        ("[columns]\n'Stück' = 'used'\n".encode("latin-1"), "a fault in its TOML"),
    ],
)
def test_column_map_with_a_fault_is_refused_with_its_cause(csv_file, content, found):
    with pytest.raises(SheetRefused, match=r"map\.toml") as refused:
        read_column_map(csv_file(content, name="map.toml"), COLUMNS)

    assert found in str(refused.value)


def test_missing_column_map_is_refused(tmp_path):
    with pytest.raises(SheetRefused, match="No such file"):
        read_column_map(tmp_path / "map.toml", COLUMNS)
