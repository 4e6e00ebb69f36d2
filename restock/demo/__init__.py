"""A fictional department with invented cases and invented use, to try the tool on.

`fixtures/` holds what such a department would bring. The modules here draw its past from a seed (`cases`, `use`,
`stock`: no database, no clock) and put it into a database of its own (`department`).
"""
