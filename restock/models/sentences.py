"""A column of sentences that are read in the language of whoever reads them."""

from __future__ import annotations

from django.db import models

from restock.sentences import Sentence, from_json


class SentenceField(models.TextField):
    """Text that holds a `Sentence`: its pattern and figures as JSON, or plain words that stay as they are."""

    def deconstruct(self):
        """To a migration it is the text column that it is, so that old migrations need no code of ours."""
        name, _, args, kwargs = super().deconstruct()
        return name, "django.db.models.TextField", args, kwargs

    def from_db_value(self, value: str | None, expression, connection) -> Sentence | None:
        return None if value is None else from_json(value)

    def get_prep_value(self, value: Sentence | str | None) -> str | None:
        return value.to_json() if isinstance(value, Sentence) else super().get_prep_value(value)

    def value_to_string(self, obj: models.Model) -> str:
        """What a fixture holds: all of the sentence, not its words in one language."""
        return self.get_prep_value(self.value_from_object(obj))
