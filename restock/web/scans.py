"""What a page answers to a scan, in the reader's words. Every page with a scan box takes its scans through here."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

from django.http import QueryDict
from django.utils.translation import gettext as _
from django.views.decorators.debug import sensitive_variables

from inventory.models import Department
from inventory.scanned import Found, find, find_code
from inventory.scanning import PersonCode, Scan, Unreadable, is_item_number, read_scan

LONGEST_SCAN = 600


@dataclass(frozen=True)
class Answer:
    """One of three: `found`; an `unknown` pack, by its item number; or a `problem` in words.

    scan: what was read, where anything was. problem: repeats nothing of what was scanned.
    about_a_person: the code was refused whole, and the page shows, keeps and logs nothing of it.
    """

    scan: Scan | None = None
    found: Found | None = None
    unknown: str = ""
    problem: str = ""
    about_a_person: bool = False

    @property
    def warnings(self) -> list[str]:
        """What a person should know about the scan, translated."""
        return [_(words) for words in self.scan.warnings] if self.scan else []


@sensitive_variables("text", "scan")
def answer_to(department: Department, text: str, *, today: date, first: Scan | None = None) -> Answer:
    """What the scanned or typed `text` is here. Never raises for what was scanned.

    first: what the scan before said, where only one of the two names an item: both may be codes of one pack.
    A code of the department's own, such as a line's, is understood as well.
    """
    try:
        scan = read_scan(text, today=today)
        if first and first.names_something != scan.names_something:
            scan = _of_one_pack(first, scan)
        found = find(department, scan)
    except PersonCode as refused:
        return Answer(problem=_(str(refused)), about_a_person=True)
    except Unreadable as problem:
        if own := find_code(department, text.strip()):
            return Answer(scan=Scan(), found=own)
        return Answer(scan=_read_or_none(text, today), problem=_(str(problem)))
    found = found or find_code(department, text.strip())
    if found is None:
        if scan.label:
            return Answer(scan=scan, problem=_("This label names a line that the catalogue has no more."))
        return Answer(scan=scan, unknown=scan.item)
    return Answer(scan=scan, found=found)


def said_before(form: QueryDict) -> Scan | None:
    """What the hidden fields of a scan box repeat from the scan before: see `templates/scan/before.html`."""
    try:
        expires_on = date.fromisoformat(form.get("before-expires", ""))
    except ValueError:
        expires_on = None
    lot = form.get("before-lot", "")[:60] or None
    item = form.get("before-item", "")
    item = item if is_item_number(item) else None
    return Scan(item=item, lot=lot, expires_on=expires_on) if item or lot or expires_on else None


def _of_one_pack(first: Scan, scan: Scan) -> Scan:
    try:
        return first.joined(scan)
    except Unreadable:
        if scan.names_something:  # it begins a pack of its own
            return scan
        raise


@sensitive_variables("text")
def _read_or_none(text: str, today: date) -> Scan | None:
    """A lot or an expiry without an item, kept for the code that comes next."""
    try:
        return read_scan(text, today=today)
    except (PersonCode, Unreadable):
        return None
