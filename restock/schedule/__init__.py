"""Case lists in: one reader for each format, all yielding `CaseSlot`, and one function that applies them.

A reader is the door. It lets through what a slot may say (see `slots.CaseSlot`) and nothing else: a booking reference
becomes a keyed hash, age, sex and weight become a size class (see `privacy`), and the rest stays outside.
"""
