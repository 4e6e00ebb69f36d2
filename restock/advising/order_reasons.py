"""The sentence beside each order line that is proposed. Pure: figures in, sentences of no language out."""

from __future__ import annotations

from restock.reasons import pieces, times_in
from restock.sentences import Sentence, _, joined, ngettext

Cover = tuple[int, int, int]


def cover_of(cover: Cover, open_ended: bool) -> Sentence:
    """Days of cover as a range: "2 to 5 days", "14 days or more", "not a day"."""
    low, _likely, high = cover
    if high == 0:
        return _("not a day")
    if low == high:
        if open_ended:
            return ngettext("%(n)s day or more", "%(n)s days or more", n=low)
        return ngettext("%(n)s day", "%(n)s days", n=low)
    if open_ended:
        return _("%(low)s to %(high)s days or more", low=low, high=high)
    return _("%(low)s to %(high)s days", low=low, high=high)


def why_ordered(
    *,
    up_to_level: bool,
    usable: int,
    owed: int,
    on_order: int,
    level: int,
    least: int,
    service: float,
    review_days: int,
    lead_days: tuple[int, int],
    mean_per_day: float,
    now: Sentence,
    then: Sentence,
) -> Sentence:
    """Why so many packs. Figures as in OrderProposal; lead_days: likely range; now, then: days of cover.

    up_to_level: ordered up to a level at every review, and not a fixed quantity at a reorder point.
    """
    first, last = lead_days
    delivery = (
        ngettext("a delivery takes %(n)s day", "a delivery takes %(n)s days", n=first)
        if first == last
        else _("a delivery takes %(first)s to %(last)s days", first=first, last=last)
    )
    held = joined(
        _("%(usable)s usable", usable=usable),
        _("%(owed)s owed to carts", owed=owed) if owed else None,
        _("%(on_order)s on order", on_order=on_order) if on_order else None,
        by=", ",
    )
    figures = {"use": pieces(mean_per_day), "level": level, "times": times_in(service), "delivery": delivery}
    if least >= level:
        aim = _("about %(use)s a day are used; never fewer than %(level)s are kept", use=figures["use"], level=level)
    elif up_to_level:
        aim = _(
            "about %(use)s a day are used, %(delivery)s and orders go out every %(review)s days: %(level)s last until "
            "the next order comes %(times)s times",
            review=review_days,
            **figures,
        )
    else:
        aim = _(
            "about %(use)s a day are used and %(delivery)s: ordered when %(level)s are left, they last till then "
            "%(times)s times",
            **figures,
        )
    return _("Lasts %(now)s, then %(then)s: %(held)s; %(aim)s.", now=now, then=then, held=held, aim=aim)
