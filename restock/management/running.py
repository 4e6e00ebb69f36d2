"""Run the command line: what is a person's slip or a machine's fault ends in one line, never in a traceback."""

import codecs
import os
import sys
from collections.abc import Sequence

from django.core.exceptions import ImproperlyConfigured
from django.core.management import execute_from_command_line
from django.db import DatabaseError, OperationalError, ProgrammingError, connection

OPEN_A_DEPARTMENT = 'Open a department first: manage.py begin "NAME OF THE DEPARTMENT" --user NAME'
PLAIN = {"“": '"', "”": '"', "‘": "'", "’": "'", "…": "...", "–": "-", "−": "-"}


def run(arguments: Sequence[str]) -> int:
    """Run `manage.py` with these arguments; returns the exit status."""
    _write_what_the_terminal_can()
    try:
        try:
            execute_from_command_line(list(arguments))
        finally:
            sys.stdout.flush()
    except ImproperlyConfigured as fault:
        return _end(str(fault))
    except (OperationalError, ProgrammingError) as fault:
        sentence = what_is_wrong(fault)
        if sentence is None:
            raise
        return _end(sentence)
    except BrokenPipeError:
        # Whoever read the output has seen enough (`| head`). Nothing may be written at exit, not even what is left.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 1
    return 0


def what_is_wrong(fault: DatabaseError) -> str | None:
    """A sentence about a database that is not there or not prepared; None where the fault is another."""
    try:
        connection.ensure_connection()
        with connection.cursor() as cursor:
            tables = connection.introspection.table_names(cursor)
    except DatabaseError as unreachable:
        reason = str(unreachable).splitlines()[0].strip()
        return f"The database cannot be opened: {reason}. DATABASE_URL says where it is."
    if "inventory_department" not in tables:
        return OPEN_A_DEPARTMENT
    if "no such table" in str(fault) or "no such column" in str(fault) or isinstance(fault, ProgrammingError):
        return f"The database is not up to date: run manage.py migrate. ({str(fault).splitlines()[0]})"
    return None


def _end(sentence: str) -> int:
    sys.stderr.write(f"{sentence}\n")
    return 1


def _write_what_the_terminal_can() -> None:
    """Quotation marks and dashes in plain form where the terminal's encoding has no others."""
    codecs.register_error("plain", lambda fault: ("".join(PLAIN.get(c, "?") for c in _unwritable(fault)), fault.end))
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="plain")


def _unwritable(fault: UnicodeEncodeError) -> str:
    return fault.object[fault.start : fault.end]
