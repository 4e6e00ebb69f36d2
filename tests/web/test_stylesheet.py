"""Contrast of every pair of colours that carries meaning, by the formulas of WCAG 2.2 (relative luminance and
contrast ratio): text at least 4.5:1 (criterion 1.4.3), shapes at least 3:1 (criterion 1.4.11)."""

import re
from pathlib import Path

import pytest

STYLESHEET = (Path(__file__).parents[2] / "restock/web/static/evenfill.css").read_text()
THEMES = dict(
    zip(
        ("light", "dark", "print"),
        (
            dict(re.findall(r"--([\w-]+): (#[0-9a-f]{3,6});", block))
            for block in re.findall(r":root \{(.*?)\}", STYLESHEET, re.S)
        ),
        strict=True,
    )
)
TEXT = [
    ("ink", "paper"),
    ("ink", "tray"),
    ("soft", "paper"),
    ("soft", "tray"),
    ("accent", "paper"),
    ("accent", "tray"),
    ("on-accent", "accent"),
]
SHAPES = [("edge", "paper"), ("edge", "tray"), ("ink", "band")]


def contrast(one, other):
    lighter, darker = sorted((luminance(one), luminance(other)), reverse=True)
    return (lighter + 0.05) / (darker + 0.05)


def luminance(colour):
    digits = colour.lstrip("#")
    if len(digits) == 3:
        digits = "".join(digit * 2 for digit in digits)
    channels = [int(digits[i : i + 2], 16) / 255 for i in (0, 2, 4)]
    red, green, blue = (c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def test_contrast_formula_gives_the_published_extremes():
    assert contrast("#000", "#ffffff") == pytest.approx(21)  # WCAG 2.2: ratios range from 1 to 21
    assert contrast("#777777", "#fff") == pytest.approx(4.48, abs=0.005)  # the well-known near miss; from memory


@pytest.mark.parametrize("theme", THEMES)
@pytest.mark.parametrize(("pair", "least"), [*((p, 4.5) for p in TEXT), *((p, 3) for p in SHAPES)])
def test_pair_of_colours_can_be_told_apart(theme, pair, least):
    colours = THEMES[theme]

    assert contrast(colours[pair[0]], colours[pair[1]]) >= least


def test_every_colour_is_named_once_in_each_theme():
    assert THEMES["light"].keys() == THEMES["dark"].keys() == THEMES["print"].keys()


def test_colours_stand_only_in_the_themes_and_the_hub_swatches():
    rules = re.sub(r":root \{.*?\}|\.hub-\d+ \{.*?\}|/\*.*?\*/", "", STYLESHEET, flags=re.S)

    assert not re.findall(r"#[0-9a-f]{3,6}\b", rules)


def test_stylesheet_asks_nobody_else_for_anything():
    assert not re.search(r"@import|url\(", STYLESHEET)
