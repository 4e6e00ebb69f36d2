from django.apps import AppConfig
from django.utils.formats import number_format
from django.utils.translation import gettext, ngettext

from . import sentences


class RestockConfig(AppConfig):
    """Decisions: what tomorrow needs, and what to carry where tonight."""

    name = "restock"

    def ready(self) -> None:
        sentences.speak(sentences.Language(gettext, ngettext, number_format))
