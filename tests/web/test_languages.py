"""The site in another language: nothing stays English but what people typed, and no figure breaks for a comma."""

import re
from html.parser import HTMLParser

import pytest
from django.apps import apps
from django.db import models
from django.urls import reverse
from django.utils.translation import override

from restock.models import PlanLine, Shortage
from restock.reasons import enough_for, not_found
from restock.sentences import from_json
from tests.factories import UserFactory

from .routes import address_of, every_route

UNREAD = ("script", "style", "code", "pre")  # what a browser runs, and what a terminal takes
READ_ALOUD = ("aria-label", "placeholder", "title", "alt")
WORD = re.compile(r"[^\W\d_]{3,}")
NUMBER = re.compile(r"-?\d+(\.\d+)?")
# Words that are the same in both languages, and names of standards.
SAME = set(
    WORD.findall(
        "backtest codes control datamatrix español evenfill excel extra extras factor fda from html iso join learn "
        "letter luer manage neuraxial pdf pin plan plans policies supervisor postscript total usb www xlsx"
    )
)
# Coordinates and sizes of a drawing, and the numbers of a field: a comma in them breaks the page.
PLAIN_NUMBERS = {"x", "y", "x1", "x2", "y1", "y2", "cx", "cy", "r", "width", "height", "min", "max", "step"}


class Page(HTMLParser):
    """What a page says, and the attributes that have to be plain numbers."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.said: set[str] = set()
        self.numbers: list[str] = []
        self._unread = 0
        self.feed(text)

    def handle_starttag(self, tag, attributes):
        attributes = dict(attributes)
        self._unread += tag in UNREAD
        self.said |= {text for name, text in attributes.items() if name in READ_ALOUD or name.startswith("data-words")}
        if tag != "input" or attributes.get("type") in ("number", "range"):
            self.numbers += [text for name, text in attributes.items() if name in PLAIN_NUMBERS]
        if tag == "input" and attributes.get("type") == "number":
            self.numbers.append(attributes.get("value") or "0")
        self.numbers += re.split(r"[ ,]+", attributes.get("viewbox", "0"))

    def handle_endtag(self, tag):
        self._unread -= tag in UNREAD

    def handle_data(self, text):
        if not self._unread:
            self.said.add(" ".join(text.split()))


@pytest.fixture
def typed():
    """Words that stand in the database: names and codes stay as people typed them."""

    def read() -> set[str]:
        found = set()
        for model in (*apps.get_app_config("inventory").get_models(), *apps.get_app_config("restock").get_models()):
            names = [field.name for field in model._meta.fields if isinstance(field, models.CharField)]
            for row in model._default_manager.values_list(*names) if names else ():
                found.update(word.lower() for cell in row for word in WORD.findall(str(cell)))
        return found

    return read


@pytest.mark.parametrize("role", ["supervisor", "technician"])
def test_every_page_speaks_spanish_and_keeps_its_figures_plain(client, evening, typed, role):
    line = evening(3)
    PlanLine.objects.update(reason=enough_for(0.04))
    Shortage.objects.update(reason=not_found(2))
    client.force_login(UserFactory(username="person", groups=[role]))
    known = typed() | SAME | {"person", "technician"}
    left_english, broken, pages = {}, {}, 0

    for name, _, arguments in every_route():
        address = address_of(name, arguments, line) if not name.startswith("admin:") else None
        answer = address and client.get(address, headers={"Accept-Language": "es"})
        if not answer or answer.status_code != 200 or not answer["Content-Type"].startswith("text/html"):
            continue
        pages += 1
        spanish = Page(answer.text)
        english = Page(client.get(address, headers={"Accept-Language": "en"}).text)
        same = {text for text in spanish.said & english.said if set(WORD.findall(text.lower())) - known}
        left_english |= {name: same} if same else {}
        wrong = [
            number
            for number in spanish.numbers
            if number not in ("", "any", None) and not NUMBER.fullmatch(number.removesuffix("%"))
        ]
        broken |= {name: wrong} if wrong else {}

    assert pages > 20
    assert not left_english
    assert not broken


def test_chosen_language_stays_with_the_device(client, technician, plan):
    client.force_login(technician)
    assert '<option value="es" lang="es">Español</option>' in client.get(reverse("account")).text

    answer = client.post(reverse("set-language"), {"language": "es", "next": reverse("account")})

    assert answer.url == reverse("account")
    assert "Mi cuenta" in client.get(reverse("account")).text
    client.post(reverse("sign-out"))
    assert '<html lang="es"' in client.get(reverse("sign-in")).text


def test_language_that_the_site_does_not_speak_is_left_aside(client, technician, plan):
    client.force_login(technician)

    client.post(reverse("set-language"), {"language": "xx", "next": reverse("account")})

    assert "My account" in client.get(reverse("account")).text


class TestReasons:
    """A reason is stored in no language, and said in the reader's."""

    WHY = (
        '["%(part1)s; %(part2)s.",{"part1":["%(on_hand)s on hand",{"on_hand":3}],'
        '"part2":["under %(least)s",{"least":0.01}]}]'
    )

    def test_reads_in_the_language_of_who_looks(self, add_line):
        line = add_line(reason=from_json(self.WHY))
        kept = PlanLine.objects.get(pk=line.pk)

        assert str(kept.reason) == "3 on hand; under 0.01."
        with override("es"):
            assert str(kept.reason) == "hay 3; menos de 0,01."

    def test_kept_again_by_a_reader_of_another_language_is_the_same(self, add_line):
        line = add_line(reason=from_json(self.WHY))
        with override("es"):
            PlanLine.objects.get(pk=line.pk).save()

        assert str(PlanLine.objects.get(pk=line.pk).reason) == "3 on hand; under 0.01."

    def test_what_could_not_be_found_is_said_beside_it(self, add_shortage):
        shortage = add_shortage(reason="Too few for all.")
        Shortage.objects.filter(pk=shortage.pk).update(not_found=1)

        with override("es"):
            assert str(Shortage.objects.get(pk=shortage.pk).why) == (
                "Too few for all. 1 unidad que consta no pudo encontrarse en el almacén."
            )
