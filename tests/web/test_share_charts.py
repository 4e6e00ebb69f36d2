import xml.etree.ElementTree as ET

import pytest

from restock.backtesting.judging import Tenth
from restock.web import share_charts


def tenths(lowest=(0.1, 0.05, 0.15), highest=(0.1, 0.05, 0.15)):
    return [Tenth(*lowest), *[Tenth(0.1, 0.05, 0.15)] * 8, Tenth(*highest)]


def test_bars_and_their_ranges_stand_on_one_scale():
    drawing = ET.fromstring(share_charts.tenths_chart(tenths(highest=(0.4, 0.3, 0.5))))
    bars = [part for part in drawing.iter() if part.get("class") == "level-band"]
    full = share_charts.BOTTOM - share_charts.TOP

    assert len(bars) == 10
    assert float(bars[0].get("height")) == pytest.approx(full * 0.1 / 0.5, abs=0.1)
    assert float(bars[9].get("height")) == pytest.approx(full * 0.4 / 0.5, abs=0.1)


def test_text_alternative_says_what_the_shape_means():
    drawing = ET.fromstring(share_charts.tenths_chart(tenths(highest=(0.4, 0.3, 0.5))))

    assert "more is used than was forecast" in drawing.get("aria-label")


@pytest.mark.parametrize(
    ("lowest", "highest", "said"),
    [
        ((0.1, 0.05, 0.15), (0.1, 0.05, 0.15), "Neither end stands out"),
        ((0.2, 0.15, 0.3), (0.2, 0.15, 0.3), "too narrow"),
        ((0.2, 0.15, 0.3), (0.1, 0.05, 0.15), "less is used than was forecast"),
        ((0.05, 0.03, 0.08), (0.05, 0.03, 0.08), "wider than they need be"),
        ((0.1, 0.05, 0.15), (0.05, 0.03, 0.08), "somewhat more is planned"),
        ((0.05, 0.03, 0.08), (0.1, 0.05, 0.15), "quieter in the forecast"),
    ],
)
def test_words_go_by_what_chance_does_not_explain(lowest, highest, said):
    assert said in share_charts.tenths_words(tenths(lowest, highest))
