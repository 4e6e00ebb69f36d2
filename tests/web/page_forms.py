"""The forms that a page shows, with what a browser would send if nothing were changed in them."""

from __future__ import annotations

from dataclasses import dataclass, field
from html.parser import HTMLParser


@dataclass
class PageForm:
    method: str
    action: str
    fields: dict[str, str] = field(default_factory=dict)


class _Reader(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.forms: list[PageForm] = []
        self._choice = ""

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        at = {name: value or "" for name, value in attrs}
        if tag == "form":
            self.forms.append(PageForm(at.get("method", "get"), at.get("action", "")))
        elif not self.forms:
            return
        elif tag == "option" and self._choice:
            self._set(self._choice, at.get("value", ""), again="selected" in at)
        elif name := at.get("name"):
            self._choice = name if tag == "select" else ""
            if tag == "textarea" or (tag in ("input", "button") and at.get("type") != "file"):
                self._set(name, at.get("value", ""), again="checked" in at)

    def _set(self, name: str, value: str, *, again: bool) -> None:
        fields = self.forms[-1].fields
        if again or not fields.get(name):
            fields[name] = value


def forms_of(html: str) -> list[PageForm]:
    """Every form, in the order of the page. A choice of several stands for the first that means something."""
    reader = _Reader()
    reader.feed(html)
    return reader.forms
