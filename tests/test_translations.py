"""The catalogues: every phrase of the source is in them with its figures, and what runs is what is read."""

import os
import re
import shutil
import subprocess
import sys

import polib
import pytest
from django.conf import settings

CATALOGUES = sorted(settings.BASE_DIR.glob("locale/*/LC_MESSAGES/django.po"))
FIGURE = re.compile(r"%\(\w+\)[sd]|\{\w*\}|%%")  # `%(pieces)s` of Python and templates, `{n}` of the scripts

pytestmark = pytest.mark.parametrize("path", CATALOGUES, ids=lambda path: path.parts[-3])


def said(entry: polib.POEntry) -> dict[str, str]:
    """Each translation of an entry with the English that it stands for."""
    if not entry.msgid_plural:
        return {entry.msgstr: entry.msgid}
    one = entry.msgstr_plural[0]
    return dict.fromkeys(entry.msgstr_plural.values(), entry.msgid_plural) | {one: entry.msgid}


def test_every_phrase_is_translated_and_none_is_a_guess(path):
    catalogue = polib.pofile(str(path))
    open_phrases = [entry.msgid for entry in catalogue if entry.fuzzy or not all(said(entry))]

    assert len(catalogue) > 1000
    assert not open_phrases


def test_every_translation_has_the_figures_of_its_phrase(path):
    differing = [
        (english, words)
        for entry in polib.pofile(str(path))
        for words, english in said(entry).items()
        if set(FIGURE.findall(words)) != set(FIGURE.findall(english))
    ]

    assert not differing


def test_what_runs_was_compiled_from_what_is_read(path):
    read = {(entry.msgctxt, entry.msgid): said(entry) for entry in polib.pofile(str(path))}
    runs = {(entry.msgctxt, entry.msgid): said(entry) for entry in polib.mofile(str(path.with_suffix(".mo")))}

    assert runs == read, "run manage.py compilemessages"


@pytest.mark.skipif(not shutil.which("xgettext"), reason="gettext is not installed: apt-get install gettext")
def test_the_source_has_no_phrase_that_is_not_in_the_catalogue(path, tmp_path):
    for folder in ("inventory", "restock", "templates"):
        shutil.copytree(settings.BASE_DIR / folder, tmp_path / folder, ignore=shutil.ignore_patterns("__pycache__"))
    language = path.parts[-3]
    (tmp_path / "locale").mkdir()
    command = [sys.executable, "-m", "django", "makemessages", "--locale", language, "--no-location"]
    elsewhere = {name: value for name, value in os.environ.items() if name != "DJANGO_SETTINGS_MODULE"}
    subprocess.run(command, cwd=tmp_path, env=elsewhere, check=True, capture_output=True)
    extracted = polib.pofile(str(tmp_path / "locale" / language / "LC_MESSAGES" / "django.po"))

    found = {(entry.msgid, entry.msgid_plural) for entry in extracted}
    known = {(entry.msgid, entry.msgid_plural) for entry in polib.pofile(str(path))}
    assert found == known, "run manage.py makemessages, translate, run manage.py compilemessages"
