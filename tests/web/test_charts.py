import re
import xml.etree.ElementTree as ET

import pytest
from django.template import Context, Engine

from restock.web import charts
from restock.web.charts import Level

AIRWAY = {
    "on_hand": 3,
    "likely_low": 4,
    "likely_high": 7,
    "high99": 8,
    "par": 5,
    "floor": 2,
    "capacity": 10,
    "short": 4,
}
PIECE = (charts.BAR_WIDTH - 2 * charts.BAR_MARGIN) / 10  # the bin of ten fills the width


def bar(**changes):
    return ET.fromstring(charts.level_bar(**{**AIRWAY, **changes}))


def parts(drawing, css_class):
    return [element for element in drawing.iter() if element.get("class") == css_class]


def span(rect):
    """Left and right end of a drawn rectangle, in pieces on the scale of a bin of ten."""
    left = float(rect.get("x")) - charts.BAR_MARGIN
    return left / PIECE, (left + float(rect.get("width"))) / PIECE


def path_span(path):
    """Left and right end of a drawn path, in pieces on the scale of a bin of ten."""
    places = [float(x) for x in re.findall(r"[MLH](-?[\d.]+)", path.get("d"))]
    return (min(places) - charts.BAR_MARGIN) / PIECE, (max(places) - charts.BAR_MARGIN) / PIECE


def alternative(drawing):
    return next(element.get("aria-label") for element in drawing.iter() if element.get("role") == "img")


def test_text_alternative_says_what_the_bar_shows():
    assert alternative(bar()) == "3 on hand, tomorrow likely 4 to 7, par 5, short by up to 4"


def test_every_part_stands_at_its_pieces_on_one_scale():
    drawing = bar()

    assert span(*parts(drawing, "level-fill")) == pytest.approx((0, 3), abs=0.01)
    assert span(*parts(drawing, "level-band")) == pytest.approx((4, 7), abs=0.01)
    assert path_span(*parts(drawing, "hatch-edge")) == pytest.approx((3, 7), abs=0.01)
    assert path_span(*parts(drawing, "level-tail")) == pytest.approx((7, 8), abs=0.01)
    assert path_span(*parts(drawing, "level-par")) == pytest.approx((5, 5), abs=0.01)
    assert path_span(*parts(drawing, "level-floor")) == pytest.approx((2, 2), abs=0.01)
    assert path_span(*parts(drawing, "level-track")) == pytest.approx((0, 10), abs=0.01)


def test_number_short_stands_beside_the_bar_in_words():
    assert parts(bar(), "level-words")[0].text == "short by up to 4"
    assert not parts(bar(on_hand=8, short=0), "level-words")


def test_nothing_is_hatched_when_nothing_is_short():
    assert not parts(bar(on_hand=8, short=0), "hatch-edge")


def test_hatching_stays_inside_its_edge():
    hatching, edge = parts(bar(), "hatch-lines")[0], parts(bar(), "hatch-edge")[0]

    left, right = path_span(edge)
    assert path_span(hatching)[0] >= left - 0.01
    assert path_span(hatching)[1] <= right + 0.01
    heights = [float(y) for y in re.findall(r"[ML]-?[\d.]+ (-?[\d.]+)", hatching.get("d"))]
    assert min(heights) >= charts.FILL_TOP
    assert max(heights) <= charts.FILL_BOTTOM


def test_recorded_below_zero_asks_for_a_count_and_fills_nothing():
    drawing = bar(on_hand=-2, short=9)

    assert alternative(drawing).startswith("Recorded -2: please count, tomorrow likely 4 to 7")
    assert parts(drawing, "level-words")[0].text == "Recorded -2: please count"
    assert not parts(drawing, "level-fill")


def test_demand_beyond_the_bin_keeps_the_bin_at_its_size():
    drawing = bar(capacity=5)  # the 99th percentile of eight now fills the width

    assert path_span(*parts(drawing, "level-track"))[1] == pytest.approx(5 * 10 / 8, abs=0.02)
    assert alternative(drawing).endswith("par 5, the bin holds 5, short by up to 4")


def test_unknown_bin_has_no_end():
    assert parts(bar(capacity=None), "level-track")[0].get("d").count("V") == 1
    assert parts(bar(), "level-track")[0].get("d").count("V") == 2


def test_line_below_its_floor_says_so():
    assert "below the floor of 4" in alternative(bar(floor=4))
    assert "floor" not in alternative(bar(floor=3))


def test_empty_line_of_zeros_still_draws():
    drawing = bar(**dict.fromkeys(AIRWAY, 0))

    assert alternative(drawing) == "0 on hand, tomorrow likely none, par 0"


def test_day_other_than_tomorrow_is_named():
    assert "on Monday likely 4 to 7" in alternative(bar(when="on Monday"))


@pytest.mark.parametrize(
    ("low", "high", "high99", "words"),
    [
        (4, 7, 8, "likely 4 to 7"),
        (1, 1, 2, "likely 1, rarely up to 2"),
        (0, 0, 1, "likely none, rarely up to 1"),
        (0, 0, 0, "likely none"),
        (1, 1, 1, "likely 1"),
    ],
)
def test_demand_is_said_as_a_range(low, high, high99, words):
    assert charts.likely_words(low, high, high99) == words


def test_drawings_need_neither_style_attribute_nor_id():
    drawings = charts.level_bar(**AIRWAY) + charts.level_key() + charts.demand_chart([0.5, 0.5], 0, 1, 1)

    assert not re.search(r"\s(style|id)=", drawings)


def test_words_given_from_outside_are_escaped():
    assert "<script>" not in charts.level_bar(**AIRWAY, when='"><script>')
    assert "<script>" not in charts.demand_chart([0.5, 0.5], 0, 1, 1, when='"><script>')


def test_key_explains_the_very_bar_it_draws():
    drawing = ET.fromstring(charts.level_key())

    words = [element.text for element in parts(drawing, "key-text")]
    assert {"on hand 3", "par 5", "missing 4", "likely 4 to 7", "rarely up to 9", "the bin holds 12"} <= set(words)
    assert alternative(drawing) == charts.level_sentence(Level(3, 4, 7, 9, 5, 1, 12, 4))


# Binomial(3, 1/2): 1, 3, 3, 1 eighths.
THREE_COINS = [1 / 8, 3 / 8, 3 / 8, 1 / 8]


def test_chart_is_solid_to_on_hand_hatched_to_target_open_beyond():
    drawing = ET.fromstring(charts.demand_chart(THREE_COINS, on_hand=1, par=1, target=2))

    assert len(parts(drawing, "demand-covered")) == 2
    assert len(parts(drawing, "hatch-edge")) == 1
    assert len(parts(drawing, "demand-open")) == 1


def test_chart_heights_are_in_proportion_to_the_probabilities():
    drawing = ET.fromstring(charts.demand_chart(THREE_COINS, on_hand=3, par=3, target=3))

    heights = [float(rect.get("height")) for rect in parts(drawing, "demand-covered")]
    assert [height / heights[0] for height in heights] == pytest.approx([1, 3, 3, 1], abs=0.02)


def test_chart_text_alternative_gives_the_share_of_days_covered():
    assert charts.demand_sentence(THREE_COINS, on_hand=1, par=2, target=3) == (
        "Chance of each quantity used tomorrow: likeliest 1. 1 on hand, enough for 50 of 100 such days. "
        "Par 2 is enough for 87 of 100 such days. Target 3 is enough for more than 99 of 100 such days."
    )


def test_chart_of_a_record_below_zero_covers_no_day():
    sentence = charts.demand_sentence(THREE_COINS, on_hand=-2, par=1, target=1)

    assert "Recorded -2: please count, enough for fewer than 1 of 100 such days" in sentence
    drawing = ET.fromstring(charts.demand_chart(THREE_COINS, on_hand=-2, par=1, target=1))
    assert not parts(drawing, "demand-covered")


def test_chart_leaves_out_the_tail_that_hardly_happens():
    long_tail = [0.5, 0.4995, *[0.0005 / 500] * 500]

    drawing = ET.fromstring(charts.demand_chart(long_tail, on_hand=0, par=2, target=3))

    below_the_axis = [each for each in parts(drawing, "chart-figure") if each.get("text-anchor") == "middle"]
    assert max(int(figure.text) for figure in below_the_axis) == 4


@pytest.mark.parametrize(
    ("probability", "words"),
    [
        (0.0, "fewer than 1 of 100 such days"),
        (0.009, "fewer than 1 of 100 such days"),
        (0.29, "29 of 100 such days"),  # 100 * 0.29 is 28.999999999999996 in binary
        (0.9999, "99 of 100 such days"),
        (1.0, "more than 99 of 100 such days"),
    ],
)
def test_share_of_days_is_rounded_down_and_never_certain(probability, words):
    assert charts.days_words(probability) == words


def test_tags_draw_what_the_functions_draw():
    engine = Engine(libraries={"level": "restock.web.templatetags.level"})
    arguments = " ".join(f"{name}={value}" for name, value in AIRWAY.items())

    drawn = engine.from_string("{% load level %}{% level_bar " + arguments + " %}").render(Context())

    assert drawn == charts.level_bar(**AIRWAY)
