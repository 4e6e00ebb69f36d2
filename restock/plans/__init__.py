"""The evening's plan: what to carry, from which lot, what will be missing, and what came of it."""
