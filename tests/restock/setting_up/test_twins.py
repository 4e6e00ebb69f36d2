"""What carts of a kind have in common, and where one differs."""

from restock.setting_up.twins import Differs, differences, standard_of

BOUGIE, SCOPE, TUBE = 1, 2, 3


def test_line_of_half_the_carts_is_not_standard():
    carts = [{BOUGIE: 1, TUBE: 5}, {BOUGIE: 1, TUBE: 5}, {TUBE: 5}, {TUBE: 5}]

    assert standard_of(carts) == {TUBE: 5}


def test_par_is_what_most_have_and_of_two_as_frequent_the_smaller():
    assert standard_of([{TUBE: 5}, {TUBE: 4}, {TUBE: 5}]) == {TUBE: 5}
    assert standard_of([{TUBE: 5}, {TUBE: 4}]) == {TUBE: 4}


def test_differences_are_missing_further_and_other_par_in_this_order():
    found = differences({SCOPE: 1, TUBE: 4}, {BOUGIE: 2, TUBE: 5})

    assert [(one.how, one.consumable, one.par, one.standard) for one in found] == [
        (Differs.MISSING, BOUGIE, None, 2),
        (Differs.EXTRA, SCOPE, 1, None),
        (Differs.PAR, TUBE, 4, 5),
    ]
