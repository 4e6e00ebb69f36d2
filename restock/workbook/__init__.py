"""Tonight's pick list as a workbook: carried on paper or a tablet, filled in, and read back.

`writing.write_workbook` lays a stored plan out; `reading.read_back` takes the Picked column from a workbook that
came back and touches no database. What follows from the picked pieces is decided in `restock.evening.confirming`.
"""

from .reading import BackRow, WorkbookBack, read_back
from .writing import Paper, write_workbook

__all__ = ["BackRow", "Paper", "WorkbookBack", "read_back", "write_workbook"]
