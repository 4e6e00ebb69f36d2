"""Sizing rules against published tables; where only secondary pages were read, the test says so."""

from dataclasses import dataclass

import pytest

from restock.cases.sizing import size_class_for, suction_catheter_fr, tracheal_tubes


@dataclass(frozen=True)
class Bounds:
    code: str
    age_days_from: int | None
    age_days_below: int | None
    sex: str = ""
    is_default: bool = False


CLASSES = (
    Bounds("neonate", None, 28),
    Bounds("infant", 28, 366),
    Bounds("child", 366, 4383),
    Bounds("adolescent", 4383, 6575),
    Bounds("adult", 6575, None, is_default=True),
    Bounds("adult-female", 6575, None, sex="female"),
)


@pytest.mark.parametrize(
    ("known", "code"),
    [
        ({"age_days": 27}, "neonate"),
        ({"age_days": 28}, "infant"),
        ({"age_years": 1}, "child"),
        ({"age_years": 12}, "adolescent"),
        ({"age_years": 18, "sex": "female"}, "adult-female"),
        ({"age_years": 18, "sex": "male"}, "adult"),
        ({"age_years": 17, "sex": "female"}, "adolescent"),
        ({"age_years": 90, "weight_kg": 20}, "adult"),
        ({"age_days": 3, "age_years": 0}, "neonate"),
        ({}, "adult"),
        ({"sex": "female"}, "adult-female"),
        ({"weight_kg": 70, "sex": "female"}, "adult-female"),
    ],
)
def test_size_class_follows_age_then_sex(known, code):
    assert size_class_for(CLASSES, **known).code == code


def test_infant_given_as_zero_whole_years_is_no_neonate_unless_the_weight_says_so():
    assert size_class_for(CLASSES, age_years=0).code == "infant"
    assert size_class_for(CLASSES, age_years=0, weight_kg=7).code == "infant"
    assert size_class_for(CLASSES, age_years=0, weight_kg=60).code == "infant"
    assert size_class_for(CLASSES, age_years=0, weight_kg=3.2).code == "neonate"


@pytest.mark.parametrize(("weight_kg", "years"), [(7, 0.5), (10, 1), (14, 3), (18, 5), (25, 6), (31, 8), (43, 12)])
def test_weight_alone_stands_in_for_the_age_by_the_2011_life_support_formulas(weight_kg, years):
    """months/2 + 4, 2 x years + 8, 3 x years + 7: Marikar 2015, doi:10.1136/bmjinnov-2015-000059."""
    days = years * 365.25
    narrow = [Bounds("this age", int(days) - 1, int(days) + 2), Bounds("adult", 6575, None, is_default=True)]

    assert size_class_for(narrow, weight_kg=weight_kg).code == "this age"


def test_no_fitting_class_is_none():
    assert size_class_for([Bounds("infant", 28, 366)], age_years=40) is None
    assert size_class_for([Bounds("infant", 28, 366)]) is None


def test_negative_age_is_refused_without_repeating_it():
    with pytest.raises(ValueError, match=r"^Age and weight cannot be negative\.$"):
        size_class_for(CLASSES, age_years=-4)


@pytest.mark.parametrize(
    ("years", "cuffed", "plus", "likely"),
    [
        (4, False, 3.5, 5.0),  # Cole, age/4 + 4: Park 2022, doi:10.17085/apm.22215
        (8, False, 3.5, 6.0),
        (4, True, 3.5, 4.5),  # age/4 + 3.5, widely taught
        (8, True, 3.5, 5.5),
        (4, True, 3.0, 4.0),  # age/4 + 3, one teaching site
        (1, True, 3.5, 3.5),  # 3.5 cuffed and 4.0 uncuffed from one to two years: secondary pages
        (1, False, 3.5, 4.0),
        (0.5, True, 3.5, 3.0),  # 3.0 cuffed and 3.5 uncuffed below one year: secondary pages
        (0.5, False, 3.5, 3.5),
    ],
)
def test_tube_for_a_child_follows_the_published_formula_and_names_both_neighbours(years, cuffed, plus, likely):
    reminder = tracheal_tubes(years=(years, years), cuffed=cuffed, cuffed_plus_mm=plus)

    assert reminder.likely == (likely,)
    assert reminder.at_hand == (likely - 0.5, likely, likely + 0.5)


def test_tubes_for_an_age_range_run_from_the_youngest_to_the_oldest():
    reminder = tracheal_tubes(years=(2, 6), cuffed=True, cuffed_plus_mm=3.5)

    assert reminder.likely == (4.0, 4.5, 5.0)
    assert reminder.at_hand == (3.5, 4.0, 4.5, 5.0, 5.5)
    assert reminder.rule == "cuffed: age in years / 4 + 3.5 mm"


@pytest.mark.parametrize(("sex", "first", "last"), [("female", 7.0, 8.0), ("male", 7.5, 8.5), ("", 7.0, 8.5)])
def test_adult_tubes_depend_on_sex_only(sex, first, last):
    """Women 7.0-8.0, men 7.5-8.5: secondary texts."""
    reminder = tracheal_tubes(years=(18, 90), cuffed=True, cuffed_plus_mm=3.5, sex=sex)

    assert (reminder.likely[0], reminder.likely[-1]) == (first, last)


def test_tubes_are_taken_from_the_sizes_there_are():
    reminder = tracheal_tubes(years=(4, 4), cuffed=True, cuffed_plus_mm=3.5, sizes_mm=(6.0, 4.0, 5.0))

    assert reminder.at_hand == (4.0, 5.0)
    assert reminder.likely == (4.0,)


def test_tubes_without_any_available_size_are_refused():
    with pytest.raises(ValueError, match="available sizes"):
        tracheal_tubes(years=(4, 4), cuffed=True, cuffed_plus_mm=3.5, sizes_mm=())


@pytest.mark.parametrize(("tube_mm", "french"), [(3.5, 6), (4.0, 6), (4.5, 8), (5.5, 10), (7.0, 12), (7.5, 14)])
def test_suction_catheter_is_the_largest_below_twice_the_tube(tube_mm, french):
    """The rule as medicalalgorithms.com states it."""
    assert suction_catheter_fr(tube_mm, (6, 8, 10, 12, 14)) == french


def test_no_suction_catheter_is_named_where_all_are_too_large():
    assert suction_catheter_fr(2.5, (6, 8)) is None
