"""Dates, bundles, counts, recalled lots and stand-ins: what becomes of a piece between the door and a case."""
