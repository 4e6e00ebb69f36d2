from django.apps import AppConfig


class InventoryConfig(AppConfig):
    """Facts: what exists, where it is, and every movement of it."""

    name = "inventory"
