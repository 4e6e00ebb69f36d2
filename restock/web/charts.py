"""The two graphics of the site, drawn on the server as inline SVG.

The *level bar* is a bullet graph (the general chart form published by Stephen Few) of one stocking line, on
one scale in pieces. The *demand chart* shows the probability of each quantity. Both speak the same language:
solid is on hand, hatched is missing, so they read in a black-and-white print.

Colours and strokes are CSS classes of `evenfill.css`; nothing here needs a `style` attribute, which the
content security policy forbids. Hatching is drawn as lines and not as an SVG pattern, so that no element
needs an id and a bar may appear any number of times on a page.

Every function is pure: numbers in, `SafeString` or `str` out. Words are in the active language.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from django.utils.html import format_html
from django.utils.safestring import SafeString
from django.utils.translation import gettext as _

from restock.web import svg

BAR_WIDTH, BAR_HEIGHT, BAR_MARGIN = 200, 28, 2
TRACK_TOP, TRACK_BOTTOM = 5, 22
FILL_TOP, FILL_BOTTOM = 8, 19
# Below this width a cut between two pieces is no longer seen as a cut, and the fill only turns grey.
NARROWEST_PIECE = 5

CHART_WIDTH, CHART_HEIGHT = 440, 268
PLOT_LEFT, PLOT_RIGHT, PLOT_TOP, PLOT_BOTTOM = 48, 432, 58, 222
MARK_LANES = (14, 32, 50)
# The chart ends where all but this share of days is covered, so that a long tail does not squeeze the rest.
HIDDEN_TAIL = 0.002


@dataclass(frozen=True)
class Level:
    """One stocking line on one day; every quantity in pieces.

    `likely_low` is the median of the day's demand, `likely_high` its service level, `high99` its 99th
    percentile. `floor` is the never-below of emergency lines (0 if none), `capacity` what the bin holds (None
    or 0 if unknown), `short` the pieces that may be missing. `when` names the day, "tomorrow" if empty.
    """

    on_hand: int
    likely_low: int
    likely_high: int
    high99: int
    par: int
    floor: int
    capacity: int | None
    short: int
    when: str = ""


def level_bar(
    on_hand: int,
    likely_low: int,
    likely_high: int,
    high99: int,
    par: int,
    floor: int,
    capacity: int | None,
    short: int,
    when: str = "",
) -> SafeString:
    """Draw one stocking line, with the number short in words beside it. The arguments are those of `Level`."""
    level = Level(on_hand, likely_low, likely_high, high99, par, floor, capacity, short, when)
    beside = on_hand_words(on_hand) if on_hand < 0 else short_words(short)
    return format_html(
        '<span class="level-line"><svg class="level-bar" role="img" aria-label="{}" viewBox="0 0 {} {}" '
        'width="{}" height="{}">{}</svg>{}</span>',
        level_sentence(level),
        BAR_WIDTH,
        BAR_HEIGHT,
        BAR_WIDTH,
        BAR_HEIGHT,
        _level_parts(level),
        format_html(' <span class="level-words" aria-hidden="true">{}</span>', beside) if beside else "",
    )


def level_sentence(level: Level) -> str:
    """Say in one line what the level bar shows.

    Floor and capacity are named only where they matter: the line is below its floor, or the bin cannot hold
    what the day may use.
    """
    parts = [
        on_hand_words(level.on_hand),
        f"{level.when or _('tomorrow')} {likely_words(level.likely_low, level.likely_high, level.high99)}",
        _("par %(pieces)d") % {"pieces": level.par},
    ]
    if level.on_hand < level.floor:
        parts.append(_("below the floor of %(pieces)d") % {"pieces": level.floor})
    if level.capacity and level.likely_high > level.capacity:
        parts.append(_("the bin holds %(pieces)d") % {"pieces": level.capacity})
    if level.short > 0:
        parts.append(short_words(level.short))
    return ", ".join(parts)


def likely_words(likely_low: int, likely_high: int, high99: int) -> str:
    """Say a day's demand as a range, from the median to the service level.

    A single figure would promise too much: where both ends agree, the 99th percentile is named as well.
    """
    if likely_low < likely_high:
        return _("likely %(low)d to %(high)d") % {"low": likely_low, "high": likely_high}
    words = _("likely %(high)d") % {"high": likely_high} if likely_high else _("likely none")
    if high99 > likely_high:
        return _("%(likely)s, rarely up to %(high99)d") % {"likely": words, "high99": high99}
    return words


def on_hand_words(on_hand: int) -> str:
    """Say what is on hand; below zero the record is wrong and asks for a count."""
    if on_hand < 0:
        return _("Recorded %(pieces)d: please count") % {"pieces": on_hand}
    return _("%(pieces)d on hand") % {"pieces": on_hand}


def short_words(short: int) -> str:
    """Say how many pieces may be missing, or nothing if none are."""
    return _("short by up to %(pieces)d") % {"pieces": short} if short > 0 else ""


def level_key() -> SafeString:
    """Draw the worked example that names every part of a level bar where it stands."""
    level = Level(on_hand=3, likely_low=4, likely_high=7, high99=9, par=5, floor=1, capacity=12, short=4)
    at = _bar_scale(level)
    named = "%(part)s %(pieces)d"
    labels = [
        (at(1.5), 8, -6, "middle", named % {"part": _("on hand"), "pieces": 3}),
        (at(5), 0, -6, "middle", named % {"part": _("par"), "pieces": 5}),
        (at(9), 11, -6, "middle", _("rarely up to %(pieces)d") % {"pieces": 9}),
        (at(1), 27, 40, "start", named % {"part": _("floor"), "pieces": 1}),
        (at(6.2), 22, 40, "middle", likely_words(4, 7, 9)),
        (at(4), 19, 56, "middle", named % {"part": _("missing"), "pieces": 4}),
        (at(12), 22, 56, "end", _("the bin holds %(pieces)d") % {"pieces": 12}),
    ]
    return format_html(
        '<svg class="level-key" role="img" aria-label="{}" viewBox="0 -20 {} 80">{}{}</svg>',
        level_sentence(level),
        BAR_WIDTH,
        _level_parts(level),
        svg.joined(_leader(*label) for label in labels),
    )


def demand_chart(pmf: Sequence[float], on_hand: int, par: int, target: int, when: str = "") -> SafeString:
    """Draw the probability of each quantity with marks for what is on hand, par and target.

    `pmf[q]` is the probability that the day uses q pieces. Bars are solid up to what is on hand, hatched up
    to the target (what a top-up would cover) and open beyond it. Each mark stands after the last quantity it
    covers.
    """
    cumulative = _running_sum(pmf)
    last = max(_first_reaching(cumulative, 1 - HIDDEN_TAIL), on_hand, par, target) + 1
    tallest = max(pmf) or 1.0
    step = (PLOT_RIGHT - PLOT_LEFT) / (last + 1)

    def x(quantity: float) -> float:
        return PLOT_LEFT + quantity * step

    def y(probability: float) -> float:
        return PLOT_BOTTOM - probability / tallest * (PLOT_BOTTOM - PLOT_TOP - 8)

    bars = []
    for quantity, probability in enumerate(pmf[: last + 1]):
        left, right = x(quantity) + step * 0.1, x(quantity + 1) - step * 0.1
        if probability / tallest < 0.002:
            continue
        if quantity <= on_hand:
            bars.append(svg.rect("demand-covered", left, y(probability), right, PLOT_BOTTOM))
        elif quantity <= target:
            bars.append(svg.hatched(left, y(probability), right, PLOT_BOTTOM))
        else:
            bars.append(svg.rect("demand-open", left, y(probability), right, PLOT_BOTTOM))
    marks = [
        _mark("mark-on-hand", x(max(on_hand, -1) + 1), MARK_LANES[0], on_hand_words(on_hand)),
        _mark("mark-par", x(par + 1), MARK_LANES[1], _("par %(pieces)d") % {"pieces": par}),
        _mark("mark-target", x(target + 1), MARK_LANES[2], _("target %(pieces)d") % {"pieces": target}),
    ]
    return format_html(
        '<svg class="demand-chart" role="img" aria-label="{}" viewBox="0 0 {} {}">{}{}{}{}</svg>',
        demand_sentence(pmf, on_hand, par, target, when),
        CHART_WIDTH,
        CHART_HEIGHT,
        _quantity_axis(last, x, when),
        _probability_axis(tallest, y),
        svg.joined(bars),
        svg.joined(marks),
    )


def demand_sentence(pmf: Sequence[float], on_hand: int, par: int, target: int, when: str = "") -> str:
    """Say in one line what the demand chart shows. `pmf` as for `demand_chart`."""
    cumulative = _running_sum(pmf)
    return _(
        "Chance of each quantity used %(when)s: likeliest %(mode)d. %(on_hand)s, enough for %(covered)s. "
        "Par %(par)d is enough for %(par_covered)s. Target %(target)d is enough for %(target_covered)s."
    ) % {
        "when": when or _("tomorrow"),
        "mode": max(range(len(pmf)), key=pmf.__getitem__),
        "on_hand": on_hand_words(on_hand),
        "covered": days_words(_covered(cumulative, on_hand)),
        "par": par,
        "par_covered": days_words(_covered(cumulative, par)),
        "target": target,
        "target_covered": days_words(_covered(cumulative, target)),
    }


def days_words(probability: float) -> str:
    """Say a probability as days of 100, rounded down, and never as a certainty."""
    return _("%(days)s of 100 such days") % {"days": days_of_hundred(probability)}


def days_of_hundred(probability: float) -> str:
    """The same for a column whose heading says "days of 100"."""
    days = int(100 * probability + 1e-9)
    if days >= 100:
        return _("more than 99")
    if days < 1:
        return _("fewer than 1")
    return str(days)


def _level_parts(level: Level) -> SafeString:
    at = _bar_scale(level)
    filled_to = max(level.on_hand, 0)
    parts = [
        svg.rect("level-band", at(level.likely_low), TRACK_TOP, at(level.likely_high), TRACK_BOTTOM),
        svg.path("level-track", _track(at(0), at(level.capacity) if level.capacity else None)),
        svg.rect("level-fill", at(0), FILL_TOP, at(filled_to), FILL_BOTTOM),
    ]
    if at(1) - at(0) >= NARROWEST_PIECE:
        cuts = "".join(svg.line(at(q), FILL_TOP, at(q), FILL_BOTTOM) for q in range(1, filled_to))
        parts.append(svg.path("level-cut", cuts))
    if level.short > 0:
        parts.append(svg.hatched(at(filled_to), FILL_TOP, at(filled_to + level.short), FILL_BOTTOM))
    if level.high99 > level.likely_high:
        parts.append(_tail(at(level.likely_high), at(level.high99), at(filled_to)))
    par = svg.line(at(level.par), 1, at(level.par), BAR_HEIGHT - 2)
    parts += [svg.path("level-halo", par), svg.path("level-par", par)]
    if level.floor > 0:
        tip = at(level.floor)
        parts.append(svg.path("level-floor", f"M{tip:.1f} {TRACK_BOTTOM}l-3.5 5.5h7z"))
    return svg.joined(parts)


def _bar_scale(level: Level) -> Callable[[float], float]:
    """Map pieces to the bar's horizontal position; the longest of the line's figures fills the width."""
    pieces = max(
        level.capacity or 0,
        level.par,
        level.floor,
        level.likely_high,
        level.high99,
        max(level.on_hand, 0) + max(level.short, 0),
        1,
    )
    return lambda quantity: BAR_MARGIN + quantity / pieces * (BAR_WIDTH - 2 * BAR_MARGIN)


def _track(start: float, end: float | None) -> str:
    """Outline the bin: a wall, its length, and a wall at its capacity, or no end where that is unknown."""
    outline = f"M{start:.1f} {TRACK_TOP}V{TRACK_BOTTOM}"
    if end is None:
        return f"{outline}H{BAR_WIDTH - BAR_MARGIN}"
    return f"{outline}H{end:.1f}V{TRACK_TOP}"


def _tail(start: float, end: float, filled_to: float) -> SafeString:
    """A fine line with a closing stroke: paper-coloured where it runs over the fill, ink beyond it."""
    middle = (FILL_TOP + FILL_BOTTOM) / 2
    closing = svg.line(end, FILL_TOP + 2, end, FILL_BOTTOM - 2)
    over = svg.line(start, middle, min(end, filled_to), middle) if start < filled_to else ""
    beyond = svg.line(max(start, filled_to), middle, end, middle) if end > filled_to else ""
    if not beyond:
        return svg.path("level-cut", over + closing)
    return svg.joined(
        [svg.path("level-cut", over), svg.path("level-halo", beyond), svg.path("level-tail", beyond + closing)]
    )


def _quantity_axis(last: int, x: Callable[[float], float], when: str) -> SafeString:
    every = _round_step(last / 12)
    ticks = [
        svg.text("chart-figure", x(quantity + 0.5), PLOT_BOTTOM + 17, "middle", str(quantity))
        for quantity in range(0, last + 1, max(1, int(every)))
    ]
    title = _("pieces used %(when)s") % {"when": when or _("tomorrow")}
    ticks.append(svg.text("chart-title", (PLOT_LEFT + PLOT_RIGHT) / 2, CHART_HEIGHT - 8, "middle", title))
    return format_html(
        "{}{}", svg.path("chart-base", svg.line(PLOT_LEFT, PLOT_BOTTOM, PLOT_RIGHT, PLOT_BOTTOM)), svg.joined(ticks)
    )


def _probability_axis(tallest: float, y: Callable[[float], float]) -> SafeString:
    every_percent = max(1, int(_round_step(100 * tallest / 4)))
    parts = [
        format_html(
            '<text class="chart-title" transform="translate(12 {}) rotate(-90)" text-anchor="middle">{}</text>',
            (PLOT_TOP + PLOT_BOTTOM) // 2,
            _("chance, %"),
        )
    ]
    for percent in range(0, int(100 * tallest) + 1, every_percent):
        height = y(percent / 100)
        if percent:
            parts.append(svg.path("chart-grid", svg.line(PLOT_LEFT, height, PLOT_RIGHT, height)))
        parts.append(svg.text("chart-figure", PLOT_LEFT - 6, height + 4.5, "end", str(percent)))
    return svg.joined(parts)


def _mark(css_class: str, x: float, lane: float, words: str) -> SafeString:
    # 9 is a generous width of a letter: words that might run out of the drawing stand left of their line.
    leftwards = x + 9 * len(words) > CHART_WIDTH
    return format_html(
        "{}{}{}",
        svg.path("level-halo", svg.line(x, lane - 9, x, PLOT_BOTTOM)),
        svg.path(css_class, svg.line(x, lane - 9, x, PLOT_BOTTOM)),
        svg.text("chart-mark", x + (-5 if leftwards else 5), lane + 1, "end" if leftwards else "start", words),
    )


def _leader(x: float, from_y: float, text_y: float, anchor: str, words: str) -> SafeString:
    """Name a part: a fine line from it to its words, which stand above (negative `text_y`) or below."""
    to_y = text_y + 2 if text_y < 0 else text_y - 8
    return format_html(
        "{}{}",
        svg.path("key-leader", svg.line(x, from_y, x, to_y)),
        svg.text("key-text", x, text_y, anchor, words),
    )


def _running_sum(pmf: Sequence[float]) -> list[float]:
    total, sums = 0.0, []
    for probability in pmf:
        total += float(probability)
        sums.append(total)
    return sums


def _covered(cumulative: Sequence[float], quantity: int) -> float:
    """Probability that the day uses no more than `quantity`."""
    if quantity < 0:
        return 0.0
    return cumulative[min(quantity, len(cumulative) - 1)]


def _first_reaching(cumulative: Sequence[float], probability: float) -> int:
    return next((q for q, total in enumerate(cumulative) if total >= probability), len(cumulative) - 1)


def _round_step(at_least: float) -> float:
    """The smallest of 1, 2, 5, 10, 20, 50 ... that is not below `at_least`."""
    step = 1.0
    while True:
        for factor in (1, 2, 5):
            if step * factor >= at_least:
                return step * factor
        step *= 10
