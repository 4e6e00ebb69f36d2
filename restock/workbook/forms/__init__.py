"""Any list that goes out as a workbook, is filled in on paper or a tablet, and comes back.

A feature says once which columns are printed and which are asked (`Form`), writes it with `write_form`, and gets typed
answers from `read_form`, or SheetRefused with everything that has to be mended. What follows from the answers is for
the feature to decide: nothing is written here.
"""

from .form import Asked, Column, Form, Row, StockText
from .reading import Answer, Filled, read_form
from .writing import write_form

__all__ = ["Answer", "Asked", "Column", "Filled", "Form", "Row", "StockText", "read_form", "write_form"]
