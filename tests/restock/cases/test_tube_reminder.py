"""Tube sizes by size class. Formulas: uncuffed age / 4 + 4, cuffed age / 4 + 3.5 or + 3; sources disagree."""

import pytest

from restock.cases.tube_reminder import suction_reminder, tube_reminders
from restock.models import Policy, SizeClass

CHILD = SizeClass(age_days_from=4 * 366, age_days_below=4 * 366 + 1)  # four years old, in days


@pytest.mark.parametrize(("formula", "cuffed_mm"), [("3.5", 4.5), ("3.0", 4.0)])
def test_the_departments_formula_sets_the_cuffed_size_and_neighbours_stand_beside_it(formula, cuffed_mm):
    cuffed, uncuffed = tube_reminders(CHILD, Policy(cuffed_tube=formula))

    assert cuffed.likely == (cuffed_mm,)
    assert cuffed.at_hand == (cuffed_mm - 0.5, cuffed_mm, cuffed_mm + 0.5)
    assert uncuffed.likely == (5.0,)


def test_an_adult_has_cuffed_tubes_only():
    [reminder] = tube_reminders(SizeClass(age_days_from=16 * 366, sex="female"), Policy())

    assert reminder.likely[0] >= 6.0


def test_suction_catheter_is_named_for_each_likely_tube():
    """Below twice the inner diameter, as medicalalgorithms.com states the rule."""
    assert suction_reminder(tube_reminders(CHILD, Policy(cuffed_tube="3.5"))) == [(4.5, 8), (5.0, 8)]
