"""Every rule that the database keeps says in words what to do where it is broken."""

import pytest
from django.apps import apps

CONSTRAINTS = [
    constraint
    for model in apps.get_models()
    if model._meta.app_label in ("inventory", "restock")
    for constraint in model._meta.constraints
]


@pytest.mark.parametrize("constraint", CONSTRAINTS, ids=lambda constraint: constraint.name)
def test_every_rule_of_the_database_has_words_of_its_own(constraint):
    assert constraint.violation_error_message != constraint.default_violation_error_message
