"""Lines whose record somebody found to be wrong since they were last counted: the next count asks for them.

Pieces that the pull list asked for and that were not there, and more taken of a lot than was on record of it, which
leaves its balance below zero. A count settles both.
"""

from __future__ import annotations

from datetime import datetime

from django.db import transaction
from django.db.models import Max

from inventory import ledger
from inventory.count_rounds import add_line, count_again, stage
from inventory.models import Consumable, Count, CountRound, CountTask, Department, Holding, Movement, Place

PULLED = "pull:"  # the keys of what was done from the pull list begin so
FOUND_WRONG = CountTask.Why.FOUND_WRONG

Line = tuple[int, int]  # primary keys of place and consumable


def below_zero(department: Department) -> set[Line]:
    """Lines of which a lot, or what is without a lot, is on record below zero: one query."""
    held = Holding.objects.filter(
        place__department=department, place__role__in=[Place.Role.CART, Place.Role.STOREROOM], quantity__lt=0
    )
    return set(held.values_list("place", "consumable"))


def not_there(department: Department) -> set[Line]:
    """Lines of which pieces were not there when they were pulled, and that nobody has counted since: three queries."""
    variance = ledger.virtual_place(department, Place.Role.COUNT_VARIANCE)
    missed = Movement.objects.not_reversed().filter(destination=variance, key__startswith=PULLED).order_by()
    newest = {(place, line): at for place, line, at in missed.values_list("source", "consumable").annotate(Max("at"))}
    counts = Count.objects.filter(
        place__in={place for place, _line in newest}, consumable__in={line for _place, line in newest}
    ).order_by()
    counted = {(place, line): at for place, line, at in counts.values_list("place", "consumable").annotate(Max("at"))}
    return {line for line, at in newest.items() if line not in counted or counted[line] < at}


def found_wrong(department: Department) -> set[Line]:
    """All of them."""
    return below_zero(department) | not_there(department)


@transaction.atomic
def ask_for_count(*, place: Place, consumable: Consumable, at: datetime) -> None:
    """Put the line on the day's count, if one runs; without one the next asks for it.

    A line that was settled on it before is counted once more. A sealed cart is counted when it is opened and checked.
    """
    department = place.department
    running = CountRound.objects.filter(
        department=department, kind=CountRound.Kind.DAILY, for_date=department.local_date(at), finished_at=None
    ).first()
    if running is None or place.sealed:
        return
    task = add_line(round=running, place=place, consumable=consumable, why=FOUND_WRONG)
    if stage(task) == "settled":
        count_again(task_id=task.pk)
        CountTask.objects.filter(pk=task.pk).update(why=FOUND_WRONG)


def ask_no_longer(*, place: Place, consumable: Consumable) -> None:
    """Take the line off the counts that run, unless somebody has begun to count it: it was counted, or was right."""
    asked = CountTask.objects.filter(round__finished_at=None, place=place, consumable=consumable, why=FOUND_WRONG)
    asked.filter(first_counted=None).delete()


def tasks_asked(department: Department) -> dict[Line, CountTask]:
    """Where these lines stand on a count that runs: one query."""
    tasks = CountTask.objects.filter(round__department=department, round__finished_at=None, why=FOUND_WRONG, count=None)
    return {(task.place_id, task.consumable_id): task for task in tasks}
