"""The forecast judged on the department's own past, and what follows from it."""
