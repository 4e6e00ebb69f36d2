"""Spreadsheets in: declared columns, safe opening, typed rows, and problems a person can act on.

A kind of sheet is a tuple of `columns.Column`. `sheets.open_table` opens an .xlsx or .csv file
against it, `Table.rows` yields typed rows and collects every problem of the file, and
`Table.refuse_if_faulty` stops the load before anything is written. `blank.write_blank` writes the
same declaration out as an empty workbook to fill in. Nothing here touches the database.
"""
