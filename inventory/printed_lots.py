"""A lot as a person reads it on a pack."""

from __future__ import annotations

from datetime import date

from django.utils.formats import date_format
from django.utils.translation import gettext as _

from .models import Consumable, Lot
from .scanning import PersonCode, holds_a_person


class OtherDate(Exception):
    """The lot is on record with another last day; the message is for the person who read the pack."""


def printed_lot(consumable: Consumable, number: str, expires_on: date | None) -> Lot:
    """The lot of that number, made where nobody knew it. A last day that was not on record yet is filled in.

    Raises OtherDate where the day that was read is not the one on record, PersonCode for a code about a person.
    """
    if holds_a_person(number):
        raise PersonCode
    lot, _made = Lot.objects.get_or_create(consumable=consumable, number=number, defaults={"expires_on": expires_on})
    if expires_on is None or lot.expires_on == expires_on:
        return lot
    if lot.expires_on is not None:
        raise OtherDate(
            _("Lot %(lot)s ends on %(day)s by the record. Read the pack again, or leave the date empty.")
            % {"lot": number, "day": date_format(lot.expires_on, _("j M Y"))}
        )
    lot.expires_on = expires_on
    lot.save(update_fields=["expires_on"])
    return lot
