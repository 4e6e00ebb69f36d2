"""The layers hold, and no field or column exists that could tell one person from another."""

import re
import subprocess
import sys
from pathlib import Path

import pytest
from django.apps import apps
from django.core.exceptions import ValidationError
from django.core.management import call_command

ROOT = Path(__file__).resolve().parent.parent
PERSONAL = re.compile(
    r"(^|_)(patient|surname|forename|birth|dob|age|weight_kg|sex|mrn|nhs|surgeon|diagnosis|note)s?(_|$)"
)

# Bounds and defaults of a class of body size are about the class, not about a person. A supervisor's note about stock
# is checked for what looks like a number of a person or a date: inventory.models.notes.
ALLOWED = {("sizeclass", "age_days_from"), ("sizeclass", "age_days_below"), ("sizeclass", "sex")}
NOTES = {
    ("restock", "shortageaction", "note"),
    ("restock", "advisedpar", "note"),
    ("restock", "substitution", "ending_note"),
    ("restock", "substitution", "differences"),
    ("inventory", "order", "note"),
    ("inventory", "backorder", "note"),
    ("inventory", "counttask", "note"),
    ("inventory", "sealevent", "note"),
    ("inventory", "recall", "instruction"),
    ("inventory", "recall", "closing_note"),
    ("inventory", "recallanswer", "note"),
    ("inventory", "hold", "reason"),
}


def test_imports_point_down_only():
    linted = subprocess.run(
        [Path(sys.executable).parent / "lint-imports"], cwd=ROOT, capture_output=True, text=True, check=False
    )

    assert linted.returncode == 0, linted.stdout


def test_no_model_has_a_field_for_a_person_who_is_treated():
    found = {
        (model._meta.model_name, field.name)
        for app in ("inventory", "restock")
        for model in apps.get_app_config(app).get_models()
        for field in model._meta.get_fields()
        if PERSONAL.search(field.name)
    }

    assert found <= ALLOWED | {(model, name) for _, model, name in NOTES}


@pytest.mark.parametrize(("app", "model", "name"), sorted(NOTES))
@pytest.mark.parametrize("text", ["ask 4471203", "back on 3/4/2026", "tel. 020 7946 0018", "since 2026-03-04"])
def test_a_note_with_a_persons_number_or_a_date_is_refused_unrepeated(app, model, name, text):
    field = apps.get_model(app, model)._meta.get_field(name)

    with pytest.raises(ValidationError) as refused:
        field.run_validators(text)

    assert text not in str(refused.value)
    field.run_validators("size 7.0 from OR-12, pack of 50")


def test_every_model_change_has_its_migration(db):
    call_command("makemigrations", "--check", "--dry-run", verbosity=0)


def test_row_locks_let_others_name_the_row():
    """An insert with a foreign key takes FOR KEY SHARE on the row it names. FOR UPDATE holds that up, FOR NO KEY UPDATE
    does not (PostgreSQL 15 manual, 13.3.2, row-level locks)."""
    too_strong = re.compile(r'select_for_update\((?!(of=\("self",\), )?no_key=True\))')
    sources = (path for app in ("inventory", "restock") for path in (ROOT / app).rglob("*.py"))

    assert [str(path.relative_to(ROOT)) for path in sources if too_strong.search(path.read_text("utf-8"))] == []
