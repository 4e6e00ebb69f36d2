"""Notes on decisions are held to the rule of every other note."""

from inventory.models.notes import NUMBER, about_stock_only

__all__ = ["NUMBER", "about_stock_only"]
