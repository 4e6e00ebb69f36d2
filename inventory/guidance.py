"""What published guidance asks of two emergency carts, and how a content list compares. Pure; no product is named.

Guidance is held against lines that a person chose in set-up, never against names. Drugs, water and fluids are the
pharmacy's: only their presence and date are compared, and the published amount stands beside as text. Guidance changes:
each list says when and where it was read. The department's own policy, which may ask for more or for something else,
comes first.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from enum import Enum


def gettext_noop(text: str) -> str:
    """Mark words for translation, under the name that makemessages looks for; whoever shows them translates them."""
    return text


@dataclass(frozen=True, slots=True)
class Item:
    """One row of a list. group: drawer or kind, as published. amount: in the source's own measure, as text.

    least_pieces: where the source counts things of ours; None where it only asks for it. least_lines: so many different
    lines (sizes) are asked for. pharmacy: presence and date only. either: rows with the same word stand for each other.
    """

    code: str
    words: str
    group: str
    amount: str = ""
    least_pieces: int | None = None
    least_lines: int = 1
    pharmacy: bool = False
    either: str = ""


@dataclass(frozen=True, slots=True)
class Guidance:
    """A published list. `source` is where it can be read, `read` how it was read for this table."""

    code: str
    name: str
    source: str
    read: str
    items: tuple[Item, ...]


class Found(Enum):
    """In words, how a row compares with the lines that were chosen for it."""

    NOT_CHOSEN = gettext_noop("no line chosen")
    ABSENT = gettext_noop("not on record")
    FEWER = gettext_noop("fewer than asked")
    PRESENT = gettext_noop("on record")
    COVERED = gettext_noop("covered by the other form")


@dataclass(frozen=True, slots=True)
class Held:
    """A line of a cart that was chosen for a row. pieces: on record; earliest: the first date among them, if any."""

    line: str
    pieces: int
    earliest: date | None = None


@dataclass(frozen=True, slots=True)
class Compared:
    """A row of guidance with what the cart holds for it."""

    item: Item
    found: Found
    held: tuple[Held, ...]


def compare(guidance: Guidance, held: Mapping[str, Sequence[Held]]) -> list[Compared]:
    """Every row of the guidance against what was chosen for it, by the row's code."""
    rows = {item.code: _compared(item, held.get(item.code, ())) for item in guidance.items}
    there = {row.item.either for row in rows.values() if row.item.either and row.found is Found.PRESENT}
    return [
        Compared(row.item, Found.COVERED, row.held)
        if row.item.either in there and row.found is not Found.PRESENT
        else row
        for row in rows.values()
    ]


def _compared(item: Item, held: Sequence[Held]) -> Compared:
    held = tuple(held)
    there = [one for one in held if one.pieces > 0]
    if not held:
        found = Found.NOT_CHOSEN
    elif not there:
        found = Found.ABSENT
    elif item.pharmacy:
        found = Found.PRESENT
    elif len(there) < item.least_lines or sum(one.pieces for one in there) < (item.least_pieces or 1):
        found = Found.FEWER
    else:
        found = Found.PRESENT
    return Compared(item, found, held)


# Malignant Hyperthermia Association of the United States, "What should be on an MH cart". 36 vials of 20 mg with 60 mL
# of water each, or 3 of 250 mg with 5 mL each: read on its page. The other rows: its list as reprinted in
# the preparedness guideline of the American Association of Nurse Anesthesiology, appendix 1.
# The group of Australia and New Zealand asks for at least 24 vials of 20 mg, and 36 in large or remote hospitals.
MALIGNANT_HYPERTHERMIA = Guidance(
    code="malignant-hyperthermia",
    name=gettext_noop("Malignant hyperthermia cart"),
    source="Malignant Hyperthermia Association of the United States, What should be on an MH cart "
    "(mhaus.org); Malignant Hyperthermia Australia and New Zealand, dantrolene stocks (malignanthyperthermia.org.au)",
    read="The amounts of dantrolene and water on the first page, the rest in a reprint of its list; "
    "24 vials, 36 in large or remote hospitals, on the second.",
    items=(
        Item(
            "mh-dantrolene-20",
            gettext_noop("Dantrolene, vials of 20 mg"),
            gettext_noop("drugs"),
            gettext_noop("36 vials; Australia and New Zealand: at least 24, and 36 in large or remote hospitals"),
            pharmacy=True,
            either="dantrolene",
        ),
        Item(
            "mh-dantrolene-250",
            gettext_noop("Dantrolene, vials of 250 mg"),
            gettext_noop("drugs"),
            gettext_noop("3 vials"),
            pharmacy=True,
            either="dantrolene",
        ),
        Item(
            "mh-water",
            gettext_noop("Sterile water for injection, without a bacteriostatic agent"),
            gettext_noop("drugs"),
            gettext_noop(
                "60 mL for each vial of 20 mg, in vials of 100 mL and not in bags; 5 mL for each vial of 250 mg"
            ),
            pharmacy=True,
        ),
        Item(
            "mh-bicarbonate",
            gettext_noop("Sodium bicarbonate 8.4%"),
            gettext_noop("drugs"),
            gettext_noop("5 of 50 mL"),
            pharmacy=True,
        ),
        Item(
            "mh-dextrose",
            gettext_noop("Dextrose 50%"),
            gettext_noop("drugs"),
            gettext_noop("2 vials of 50 mL"),
            pharmacy=True,
        ),
        Item(
            "mh-calcium",
            gettext_noop("Calcium chloride 10%"),
            gettext_noop("drugs"),
            gettext_noop("2 vials of 10 mL"),
            pharmacy=True,
        ),
        Item(
            "mh-insulin",
            gettext_noop("Regular insulin"),
            gettext_noop("drugs"),
            gettext_noop("1 of 100 units/mL, refrigerated"),
            pharmacy=True,
        ),
        Item(
            "mh-antiarrhythmic",
            gettext_noop("Lidocaine or amiodarone"),
            gettext_noop("drugs"),
            gettext_noop("3 syringes of lidocaine 2%"),
            pharmacy=True,
        ),
        Item(
            "mh-cold-saline",
            gettext_noop("Cold saline"),
            gettext_noop("drugs"),
            gettext_noop("at least 3,000 mL, refrigerated"),
            pharmacy=True,
        ),
        Item(
            "mh-charcoal",
            gettext_noop("Activated charcoal filters"),
            gettext_noop("equipment"),
            gettext_noop("two pairs"),
            least_pieces=2,
        ),
        Item("mh-syringes", gettext_noop("Syringes of 60 mL to dilute dantrolene"), gettext_noop("equipment")),
        Item(
            "mh-cannulas",
            gettext_noop("Intravenous cannulas"),
            gettext_noop("equipment"),
            gettext_noop("sizes for the people treated there"),
        ),
        Item(
            "mh-temperature",
            gettext_noop("Core temperature probes"),
            gettext_noop("monitoring"),
            gettext_noop("oesophageal or another core site"),
        ),
    ),
)

# Difficult Airway Society, "Difficult airway trolley": the lay-out by plans, its drawers and the rule that all trolleys
# of a hospital are alike. Scalpel, bougie and a cuffed 6.0 tube for plan D: its 2015 guidelines, BJA 115:827.
DIFFICULT_AIRWAY = Guidance(
    code="difficult-airway",
    name=gettext_noop("Difficult airway cart"),
    source="Difficult Airway Society, Difficult airway trolley (das.uk.com) and 2015 guidelines, Br J Anaesth "
    "2015;115:827-848",
    read="The trolley's list in a public copy; the drawers by plans A to D and the need for the same content at every "
    "site on the society's page.",
    items=(
        Item(
            "da-a-introducer",
            gettext_noop("Tracheal tube introducer (bougie), adult and child"),
            gettext_noop("side"),
            least_lines=2,
        ),
        Item("da-a-exchange", gettext_noop("Airway exchange catheter"), gettext_noop("side")),
        Item(
            "da-a-intubating-catheter",
            gettext_noop("Intubation catheter that fits over a flexible scope"),
            gettext_noop("side"),
        ),
        Item("da-a-scope", gettext_noop("Flexible intubating scope, re-usable or single use"), gettext_noop("top")),
        Item(
            "da-a-laryngoscope",
            gettext_noop("Alternative laryngoscope: video, or another blade"),
            gettext_noop("plan A: intubation"),
        ),
        Item("da-a-short-handle", gettext_noop("Short laryngoscope handle"), gettext_noop("plan A: intubation")),
        Item("da-a-blade", gettext_noop("Straight or tip-flexing blade"), gettext_noop("plan A: intubation")),
        Item(
            "da-b-supraglottic",
            gettext_noop("Supraglottic airways"),
            gettext_noop("plan B: supraglottic airway"),
            gettext_noop("sizes 3, 4 and 5"),
            None,
            3,
        ),
        Item(
            "da-b-intubating",
            gettext_noop("Supraglottic airway to intubate through"),
            gettext_noop("plan B: supraglottic airway"),
        ),
        Item(
            "da-c-facemask",
            gettext_noop("Facemasks"),
            gettext_noop("plan C: facemask"),
            gettext_noop("various sizes"),
            None,
            2,
        ),
        Item(
            "da-c-oral",
            gettext_noop("Oral airways"),
            gettext_noop("plan C: facemask"),
            gettext_noop("various sizes"),
            None,
            2,
        ),
        Item(
            "da-c-nasal",
            gettext_noop("Nasal airways"),
            gettext_noop("plan C: facemask"),
            gettext_noop("various sizes"),
            None,
            2,
        ),
        Item(
            "da-d-set",
            gettext_noop("Scalpel, bougie and cuffed 6.0 tube, singly or as a set"),
            gettext_noop("plan D: front of neck"),
        ),
        Item(
            "da-d-cannula",
            gettext_noop("Front-of-neck cannula and its means of ventilation"),
            gettext_noop("plan D: front of neck"),
            gettext_noop("if used"),
        ),
    ),
)

ALL = {guidance.code: guidance for guidance in (MALIGNANT_HYPERTHERMIA, DIFFICULT_AIRWAY)}
