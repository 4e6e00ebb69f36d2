import pytest

from inventory.models import Section
from restock.cases.case_setup import SetupRun, expected_of_extras, expected_pieces, setup_for
from restock.models import SplitTally
from tests.factories import (
    CaseFactory,
    CaseTypeFactory,
    ConsumableFactory,
    ExtraFactory,
    SetupStandardFactory,
    SizeClassFactory,
    SizeRunFactory,
)


@pytest.fixture
def hernia(department):
    return CaseTypeFactory(name="Hernia repair")


@pytest.fixture
def tubes(department):
    """A run of three sizes."""
    run = SizeRunFactory(name="Tracheal tube")
    sizes = ("6.0", "7.0", "8.0")
    return [ConsumableFactory(size_run=run, size=size, size_position=n) for n, size in enumerate(sizes, start=1)]


def expected(sections):
    return {item.consumable: item.expected for s in sections for item in (*s.items, *s.rare)}


# An item opened more often than not stands at its usual pieces (half up), any other at none.
@pytest.mark.parametrize(("probability", "quantity", "pieces"), [(1, 3, 3), (0.7, 1, 1), (1, 1.5, 2), (0.3, 5, 0)])
def test_line_stands_at_the_pieces_that_most_such_cases_open(hernia, probability, quantity, pieces):
    row = SetupStandardFactory(case_type=hernia, probability=probability, quantity=quantity)

    assert expected(setup_for(CaseFactory(case_type=hernia))) == {row.consumable: pieces}


def test_booked_extra_adds_its_own(hernia):
    arterial = ExtraFactory()
    syringe = ConsumableFactory()
    SetupStandardFactory(case_type=hernia, consumable=syringe, quantity=2)
    SetupStandardFactory(case_type=None, extra=arterial, consumable=syringe, quantity=1)

    assert expected(setup_for(CaseFactory(case_type=hernia))) == {syringe: 2}
    assert expected(setup_for(CaseFactory(case_type=hernia, extras=[arterial]))) == {syringe: 3}


def test_row_of_the_size_class_replaces_the_row_for_all(hernia):
    bag = ConsumableFactory()
    SetupStandardFactory(case_type=hernia, consumable=bag, quantity=2)
    SetupStandardFactory(case_type=hernia, consumable=bag, quantity=1, size_class=SizeClassFactory(code="infant"))
    infant = CaseFactory(case_type=hernia, size_class=SizeClassFactory(code="infant"))

    assert expected(setup_for(CaseFactory(case_type=hernia))) == {bag: 2}
    assert expected(setup_for(infant)) == {bag: 1}


def test_sections_come_in_set_up_order_and_rare_lines_stand_apart(hernia):
    for section in (Section.IV, Section.MACHINE):
        SetupStandardFactory(case_type=hernia, consumable=ConsumableFactory(section=section))
    rare = SetupStandardFactory(case_type=hernia, probability=0.2, consumable=ConsumableFactory(section=Section.IV))

    machine, iv = setup_for(CaseFactory(case_type=hernia))

    assert (machine.section, iv.section) == (Section.MACHINE, Section.IV)
    assert [line.consumable for line in iv.rare] == [rare.consumable]


def test_what_goes_by_room_and_day_is_offered_and_not_expected(hernia):
    tape = SetupStandardFactory(case_type=hernia, basis="per_room_day").consumable

    assert expected(setup_for(CaseFactory(case_type=hernia))) == {tape: 0}


class TestRun:
    @pytest.fixture
    def case(self, hernia, tubes):
        SetupStandardFactory(case_type=hernia, consumable=None, size_run=tubes[0].size_run, quantity=1)
        for tube, share in zip(tubes, (0.1, 0.6, 0.3), strict=True):
            SetupStandardFactory(case_type=None, size_class=SizeClassFactory(), consumable=tube, probability=share)
        return CaseFactory(case_type=hernia)

    def test_stands_side_by_side_with_the_likely_size_of_the_class(self, case, tubes):
        ((run,),) = [section.items for section in setup_for(case)]

        assert isinstance(run, SetupRun)
        assert [(size.consumable, size.expected) for size in run.sizes] == list(zip(tubes, (0, 1, 0), strict=True))
        assert run.likely.consumable == tubes[1]
        assert not run.from_log

    def test_log_of_the_case_type_moves_the_likely_size(self, case, tubes, hernia):
        SplitTally.objects.create(case_type=hernia, size_class=case.size_class, consumable=tubes[2], pieces=200)

        ((run,),) = [section.items for section in setup_for(case)]

        assert run.likely.consumable == tubes[2]
        assert run.from_log


def test_asks_as_often_for_sixty_lines_as_for_one(hernia, django_assert_num_queries, django_assert_max_num_queries):
    SetupStandardFactory(case_type=hernia)
    case = CaseFactory(case_type=hernia)
    with django_assert_max_num_queries(14) as of_one:
        setup_for(case)
    for _ in range(59):
        SetupStandardFactory(case_type=hernia)

    with django_assert_num_queries(len(of_one)):
        setup_for(case)


def test_all_kinds_of_case_at_once_are_expected_to_use_what_each_alone_is(hernia, tubes):
    """Set-ups for a device to keep: the same pieces, in the same order, as the page of such a case shows."""
    other, adult, infant = CaseTypeFactory(name="Hysteroscopy"), SizeClassFactory(), SizeClassFactory(code="infant")
    for section in (Section.IV, Section.MACHINE):
        line = ConsumableFactory(section=section)
        SetupStandardFactory(case_type=hernia, consumable=line, quantity=2)
        SetupStandardFactory(case_type=hernia, consumable=line, quantity=1, size_class=infant)
    SetupStandardFactory(case_type=hernia, probability=0.2)
    for kind in (hernia, other):
        SetupStandardFactory(case_type=kind, consumable=None, size_run=tubes[0].size_run)
    SetupStandardFactory(case_type=None, size_class=infant, consumable=tubes[0])
    SplitTally.objects.create(size_class=infant, case_type=other, consumable=tubes[1], pieces=50)

    at_once = expected_pieces(hernia.department)

    for kind in (hernia, other):
        for size in (adult, infant):
            alone = [
                (item.likely.consumable.pk if isinstance(item, SetupRun) else item.consumable.pk, item.expected)
                for section in setup_for(CaseFactory(case_type=kind, size_class=size))
                for item in section.items
            ]
            assert at_once[kind.pk, size.pk] == alone, (kind, size)
    assert at_once[hernia.pk, infant.pk] != at_once[hernia.pk, adult.pk]


def test_what_a_booked_extra_adds_makes_up_the_set_up_of_a_case_that_has_it(hernia, tubes):
    adult, arterial = SizeClassFactory(), ExtraFactory()
    shared, own = ConsumableFactory(section=Section.IV), ConsumableFactory(section=Section.MONITORS)
    SetupStandardFactory(case_type=hernia, consumable=shared)
    SetupStandardFactory(case_type=None, extra=arterial, consumable=shared, quantity=2)
    SetupStandardFactory(case_type=None, extra=arterial, consumable=own)
    SetupStandardFactory(case_type=None, extra=ExtraFactory(code="central-line"), consumable=ConsumableFactory())

    of_type = dict(expected_pieces(hernia.department)[hernia.pk, adult.pk])
    of_extra = dict(expected_of_extras(hernia.department)[arterial.pk, adult.pk])

    case = CaseFactory(case_type=hernia, size_class=adult)
    case.extras.add(arterial)
    alone = {item.consumable.pk: item.expected for section in setup_for(case) for item in section.items}
    assert {pk: of_type.get(pk, 0) + of_extra.get(pk, 0) for pk in of_type | of_extra} == alone
    assert of_extra == {shared.pk: 2, own.pk: 1}
