from django.apps import AppConfig


class RestockConfig(AppConfig):
    """Decisions: what tomorrow needs, and what to carry where tonight."""

    name = "restock"
