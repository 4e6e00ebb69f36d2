"""Body size: the class that a case list's columns give, and reminders of sizes to keep at hand.

Pure rules. Age, sex and weight go into `size_class_for` and do not come out: a case keeps only the
class. Every reminder names neighbours and its rule, because such formulas often miss (Park 2022,
doi:10.17085/apm.22215); the clinician chooses the size, never this module.
"""

from bisect import bisect_left
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from math import ceil
from typing import Protocol, TypeVar

DAYS_PER_YEAR = 365.25

# Sources disagree on the cuffed tube: age/4 + 3.5 is widely taught, one teaching site says + 3.
UNCUFFED_PLUS_MM = 4.0  # Cole's formula, as Park 2022 gives it
HALF_SIZES_MM = tuple(size / 2 for size in range(5, 18))  # 2.5 to 8.5

# Resuscitation guidelines as secondary pages give them: 3.0 cuffed, 3.5 uncuffed below one year.
INFANT_CUFFED_MM = 3.0
INFANT_UNCUFFED_MM = 3.5
ADULT_YEARS = 16  # where the adult sizes take over: common practice, no source
ADULT_MM = {"female": (7.0, 8.0), "male": (7.5, 8.5), "": (7.0, 8.5)}  # secondary texts

# Weight in kg at an age in years, between which the 2011 formulas of the Advanced Paediatric Life
# Support course run straight: months/2 + 4, 2 x years + 8, 3 x years + 7 (Marikar 2015,
# doi:10.1136/bmjinnov-2015-000059).
WEIGHT_AT_AGE = ((4.0, 0.0), (10.0, 1.0), (18.0, 5.0), (25.0, 6.0), (43.0, 12.0))


class AgeBounds(Protocol):
    """What a size class says about itself: ages in days (lower end in, upper end out, None is open)."""

    age_days_from: int | None
    age_days_below: int | None
    sex: str
    is_default: bool


SizeClass = TypeVar("SizeClass", bound=AgeBounds)


def size_class_for(
    classes: Iterable[SizeClass],
    *,
    age_days: float | None = None,
    age_years: float | None = None,
    sex: str = "",
    weight_kg: float | None = None,
) -> SizeClass | None:
    """The size class of a slot; a class for the given sex goes before one for any.

    Age decides. Without one, the age at which a child typically has this weight stands in for it; an
    adult's weight or nothing at all gives the default class (or its counterpart for the given sex).
    Lists in whole years call every infant 0, so 0 years without a weight counts as half a year.

    Returns None where no class fits. Raises ValueError, without repeating it, for a negative value.
    """
    classes = list(classes)
    if any(value is not None and value < 0 for value in (age_days, age_years, weight_kg)):
        raise ValueError("Age and weight cannot be negative.")

    if age_days is None and age_years:
        age_days = ceil(age_years * DAYS_PER_YEAR)
    if age_days is None and weight_kg is not None:
        typical_years = _typical_age_years(weight_kg)
        if age_years == 0 and (typical_years is None or typical_years >= 1):
            typical_years = 0.99
        age_days = None if typical_years is None else typical_years * DAYS_PER_YEAR
    if age_days is None and age_years == 0:
        age_days = DAYS_PER_YEAR / 2

    default = next((size_class for size_class in classes if size_class.is_default), None)
    if age_days is None:
        if default is None or default.age_days_from is None:
            return default
        age_days = default.age_days_from
    fitting = [size_class for size_class in classes if _holds(size_class, age_days)]
    for wanted in (sex, ""):
        for size_class in fitting:
            if size_class.sex == wanted:
                return size_class
    return None


def _holds(size_class: AgeBounds, age_days: float) -> bool:
    lower, upper = size_class.age_days_from, size_class.age_days_below
    return (lower is None or age_days >= lower) and (upper is None or age_days < upper)


def _typical_age_years(weight_kg: float) -> float | None:
    """Age of a child of this weight by WEIGHT_AT_AGE; None above it, where weight says no more of age."""
    weights = [weight for weight, _ in WEIGHT_AT_AGE]
    if weight_kg <= weights[0]:
        return 0.0
    above = bisect_left(weights, weight_kg)
    if above == len(weights):
        return None
    (low_kg, low_years), (high_kg, high_years) = WEIGHT_AT_AGE[above - 1 : above + 1]
    return low_years + (weight_kg - low_kg) / (high_kg - low_kg) * (high_years - low_years)


@dataclass(frozen=True, slots=True)
class SizeReminder:
    """Sizes to keep at hand: those the rule points to, one neighbour each side, and the rule in words."""

    likely: tuple[float, ...]
    smaller: float | None
    larger: float | None
    rule: str

    @property
    def at_hand(self) -> tuple[float, ...]:
        """Likely sizes with their neighbours, smallest first."""
        return tuple(size for size in (self.smaller, *self.likely, self.larger) if size is not None)


def tracheal_tubes(
    *,
    years: tuple[float, float],
    cuffed: bool,
    cuffed_plus_mm: float,
    sex: str = "",
    sizes_mm: Sequence[float] = HALF_SIZES_MM,
) -> SizeReminder:
    """Tube sizes in mm (inner diameter) for ages from `years[0]` to `years[1]`, among those available.

    `cuffed_plus_mm` is the department's choice for the cuffed tube, 3.5 or 3. Half-way values go to
    the smaller size: too large a tube does the harm, and the larger neighbour is named anyway.

    Raises ValueError where no sizes are available or the ages are out of order.
    """
    youngest, oldest = years
    if not sizes_mm or not 0 <= youngest <= oldest:
        raise ValueError("Tube sizes need available sizes, and ages in order from 0.")
    bounds = [_tube_mm(age, cuffed, cuffed_plus_mm, sex) for age in years]
    smallest, largest = bounds[0][0], bounds[1][1]
    if youngest >= ADULT_YEARS:
        rule = f"adult tubes {smallest} to {largest} mm"
    elif oldest < 1:
        rule = f"below one year {smallest} mm {'cuffed' if cuffed else 'uncuffed'}"
    else:
        plus = cuffed_plus_mm if cuffed else UNCUFFED_PLUS_MM
        rule = f"{'cuffed' if cuffed else 'uncuffed'}: age in years / 4 + {plus:g} mm"
    return _reminder(smallest, largest, sizes_mm, rule)


def _tube_mm(age_years: float, cuffed: bool, cuffed_plus_mm: float, sex: str) -> tuple[float, float]:
    if age_years >= ADULT_YEARS:
        return ADULT_MM[sex]
    if age_years < 1:
        infant = INFANT_CUFFED_MM if cuffed else INFANT_UNCUFFED_MM
        return infant, infant
    computed = age_years / 4 + (cuffed_plus_mm if cuffed else UNCUFFED_PLUS_MM)
    return computed, computed


def _reminder(smallest: float, largest: float, sizes: Sequence[float], rule: str) -> SizeReminder:
    ordered = sorted(sizes)

    def nearest(wanted: float) -> int:
        return min(range(len(ordered)), key=lambda place: (abs(ordered[place] - wanted), place))

    first, last = nearest(smallest), nearest(largest)
    return SizeReminder(
        likely=tuple(ordered[first : last + 1]),
        smaller=ordered[first - 1] if first else None,
        larger=ordered[last + 1] if last + 1 < len(ordered) else None,
        rule=rule,
    )


def suction_catheter_fr(tube_mm: float, sizes_fr: Iterable[float]) -> float | None:
    """The largest available French size below twice the tube's inner diameter in mm.

    Source: medicalalgorithms.com. None where every size is too large.
    """
    return max((size for size in sizes_fr if size < 2 * tube_mm), default=None)
