"""Carts taken, the walk, drawers and moves; a pick list that comes back."""
