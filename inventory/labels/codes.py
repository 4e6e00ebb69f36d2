"""A text as the dark and light squares of a code."""

from __future__ import annotations

from enum import StrEnum

import segno
from pystrich.datamatrix import DataMatrixData, DataMatrixEncoder
from pystrich.gs1 import GS1Variable

INTERNAL_AI = "91"  # GS1: "company internal information"


class CodeKind(StrEnum):
    """QR is what phones read best; a DataMatrix is smaller for the same text and what hospital scanners know."""

    QR = "qr"
    DATAMATRIX = "datamatrix"


def modules(text: str, kind: CodeKind) -> tuple[tuple[bool, ...], ...]:
    """The code's squares, row by row, True for dark, with the light margin that its standard asks for.

    QR (ISO/IEC 18004): the text as it is, error correction M (15% of it may be hidden), four modules of margin.
    DataMatrix (ISO/IEC 16022): FNC1, then (91) and the text, so that it is a GS1 DataMatrix; one module of margin, and
    one more, since cutting a sheet of labels is not exact.
    """
    if kind is CodeKind.QR:
        code = segno.make_qr(text, error="m", boost_error=False)
        return tuple(tuple(bool(module) for module in row) for row in code.matrix_iter(border=4))
    encoder = DataMatrixEncoder(DataMatrixData.gs1(GS1Variable(INTERNAL_AI, text)), quiet_zone=2)
    return tuple(tuple(bool(module) for module in row) for row in encoder.init_renderer().matrix)
