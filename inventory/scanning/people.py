"""Codes about people, recognised before anything else is done with what was scanned.

A wristband is a code like any other to a scanner, so somebody will scan one. Everything here errs on the side of
refusing: a pack that is refused by mistake can be typed, and an identifier that is kept cannot be taken back.
"""

from __future__ import annotations

import re
from urllib.parse import unquote

# GS1 General Specifications, section 3, and the GS1 syntax dictionary (github.com/gs1/gs1-syntax-dictionary):
# 8017 and 8018 number the giver and the receiver of care, 8019 counts their encounters, 7250 to 7259 are birth date,
# sex, names, address and birth order, 4301 to 4319 an addressee and a sender with their telephones; 8002 is a mobile
# telephone, 8007 a bank account, 8030 a signature that may hold any of these.
PERSON_AIS = frozenset(
    {"8002", "8007", "8017", "8018", "8019", "8030"}
    | {str(ai) for ai in range(7250, 7260)}
    | {str(ai) for ai in range(4300, 4320)} - {"4307", "4317"}
)
_AIS = "|".join(sorted(PERSON_AIS))
_BRACKETED = re.compile(rf"[({{\[]\s*(?:{_AIS})\s*[)}}\]]")
_IN_LINK = re.compile(rf"(?:^|[/?&;])(?:{_AIS})[/=]")
# Where an element begins, whether or not its value has the form that it should have.
_ELEMENT = re.compile(r"801[78]\d{8}|725\d[0-9A-Z%]", re.IGNORECASE)
# A service relation number that a missing separator has glued into something else: 7250 to 7259 never go without one.
_GLUED = re.compile(r"801[78]\d{14}")

_OTHER_FORMS = re.compile(
    r"""
    \*?\+/                                   # HIBC Provider Applications (ANSI/HIBC 1): patients, staff, orders
    | (MSH|PID|PV1|NK1|FHS|BHS)\|            # HL7 version 2
    | .*[\r\n\x1c](PID|NK1)\|
    | [&=][#]                                # ISBT 128 data structures 024 and 025: a patient's birth date and number
    | ='                                     # ... 020: a member of staff
    | =; | &; | &\):                         # ... 019 and others: a donor
    | \{\s*"(resourceType|patient|mrn)"      # FHIR and other JSON
    | BEGIN:VCARD | MECARD: | BIZCARD:       # visiting cards
    | shc:/ | HC1:                           # SMART Health Cards, EU digital certificates
    | @\s*\x1e?\s*(ANSI|AAMVA)\              # North American driving licences
    | [PIACV][A-Z<][A-Z<]{3}[A-Z]+<<         # machine-readable travel documents (ICAO 9303)
    """,
    re.VERBOSE | re.IGNORECASE | re.DOTALL,
)


def is_about_a_person(text: str) -> bool:
    """Whether the text, without its symbology identifier, is or holds a code about a person, in any known form."""
    plain = unquote(unquote(text))
    return bool(_OTHER_FORMS.match(plain) or _BRACKETED.search(plain) or ("/" in plain and _IN_LINK.search(plain)))


def begins_with_a_person(text: str) -> bool:
    """Whether the element string that begins here is about a person, well formed or not."""
    return bool(_ELEMENT.match(text))


def holds_a_glued_person(text: str) -> bool:
    """Whether a value has swallowed a person's number because a separator was left out."""
    return bool(_GLUED.search(text))
