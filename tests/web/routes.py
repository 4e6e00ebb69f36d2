"""Every route that the URL configuration has, for tests that must not forget one."""

from collections.abc import Iterator

from django.urls import URLPattern, get_resolver, reverse

# One sample for each argument that a route may have; the objects are those of the fixture `evening`.
SAMPLES = {
    "plan_id": lambda line: line.plan_id,
    "place_id": lambda line: line.place_id,
    "line_id": lambda line: line.pk,
    "room_id": lambda line: line.place.room_id,
    "case_id": lambda line: line.place.room.cases.first().pk,
    "consumable_id": lambda line: line.consumable_id,
    "added_key": lambda line: "made-on-a-device",
    "log_id": lambda line: line.place.room.cases.first().logs.first().pk,
    "claim_id": lambda line: 1,
    "action_id": lambda line: 1,
    "advised_id": lambda line: 1,
    "guidance": lambda line: "difficult-airway",
    "card_id": lambda line: 1,
    "recall_id": lambda line: 1,
    "recall_place_id": lambda line: 1,
    "lot_id": lambda line: 1,
    "assembly_id": lambda line: 1,
    "item": lambda line: "00614141000012",
    "round_id": lambda line: 1,
    "task_id": lambda line: 1,
    "order_id": lambda line: 1,
    "order_line_id": lambda line: 1,
    "receipt_id": lambda line: 1,
    "stocking_line_id": lambda line: 1,
    "kind": lambda line: "pars",
    "person_id": lambda line: line.plan.by_id,
    "slug": lambda line: "rooms",
    "row_id": lambda line: line.place.room_id,
    "object_id": lambda line: 1,
    "id": lambda line: 1,
    "content_type_id": lambda line: 1,
    "app_label": lambda line: "auth",
    "url": lambda line: "nothing-here",
}


def address_of(name: str, arguments, line) -> str:
    """The address of a route, its arguments filled with what the fixture `evening` made."""
    return reverse(name, kwargs={argument: SAMPLES[argument](line) for argument in arguments})


def every_route(patterns=None, namespace="") -> Iterator[tuple[str, URLPattern, tuple[str, ...]]]:
    """Yield (view name with its namespace, pattern, names of its arguments)."""
    for pattern in get_resolver().url_patterns if patterns is None else patterns:
        if isinstance(pattern, URLPattern):
            yield f"{namespace}{pattern.name}", pattern, tuple(pattern.pattern.regex.groupindex)
        else:
            inner = f"{namespace}{pattern.namespace}:" if pattern.namespace else namespace
            yield from every_route(pattern.url_patterns, inner)
