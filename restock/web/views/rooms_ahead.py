"""The rooms of the planned day, by set-up section."""

from collections import Counter
from datetime import datetime

from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, render
from django.utils import timezone
from django.views.decorators.http import require_safe

from inventory.models import Room, Section
from restock.supervising.rooms_ahead import CartAhead, day_ahead

from ..ages import counts_words, day_words
from ..current import current_department, current_plan, today
from .evening import no_plan


@require_safe
def rooms_ahead(request: HttpRequest) -> HttpResponse:
    """Every room with a list and every shared cart that these reach: what stays missing or short, by section."""
    plan = current_plan(request)
    if plan is None:
        return no_plan(request)
    now, ahead = timezone.now(), day_ahead(plan)
    unkept = Counter(entry["room"] for entry in plan.inputs.get("out_of_reach", []))
    context = {
        "plan": plan,
        "when": day_words(plan.for_date, today(request)),
        "sections": [section.label for section in Section],
        "rooms": [(room, [_row(cart, now, unkept[room.room.code]) for cart in room.own]) for room in ahead.rooms],
        "shared": [_row(cart, now) for cart in ahead.shared],
        "without_list": ahead.without_list,
        "rooms_lacking": sum(
            any(cart.short for cart in room.own) or unkept[room.room.code] > 0 for room in ahead.rooms
        ),
        "shared_lacking": sum(bool(cart.short) for cart in ahead.shared),
    }
    return render(request, "rooms/list.html", context)


@require_safe
def room_ahead(request: HttpRequest, room_id: int) -> HttpResponse:
    """One room: its own cart and the shared carts it may fetch from, section by section."""
    get_object_or_404(Room, pk=room_id, department=current_department(request))
    plan = current_plan(request)
    if plan is None:
        return no_plan(request)
    now, ahead = timezone.now(), day_ahead(plan)
    room = next((one for one in ahead.rooms if one.room.pk == room_id), None)
    if room is None:
        raise Http404
    carts = [(_row(cart, now), True) for cart in room.own] + [(_row(cart, now), False) for cart in room.shared]
    context = {
        "plan": plan,
        "when": day_words(plan.for_date, today(request)),
        "room": room,
        "carts": carts,
        "out_of_reach": [one for one in plan.inputs.get("out_of_reach", []) if one["room"] == room.room.code],
        "short": sum(len(row["cart"].short) for row, _ in carts),
        "missing": sum(one.is_missing for row, _ in carts for one in row["cart"].short),
        "to_bring": sum(len(row["cart"].to_bring) for row, _ in carts),
    }
    return render(request, "rooms/room.html", context)


def _row(cart: CartAhead, now: datetime, unkept: int = 0) -> dict:
    """unkept: lines that the room's cases likely use and no cart in reach keeps."""
    return {
        "unkept": unkept,
        "cart": cart,
        "counted": counts_words(cart.counted, now),
        "cells": [_cell(label, lines) for label, lines in ((s.label, lines) for s, lines in cart.sections())],
    }


def _cell(section: str, lines) -> dict:
    short = [line for line in lines if line.short_by]
    missing = sum(line.is_missing for line in short)
    return {"section": section, "lines": lines, "missing": missing, "low": len(short) - missing}
