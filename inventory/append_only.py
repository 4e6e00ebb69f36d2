"""Tables whose rows are written once: triggers that refuse UPDATE and DELETE, whoever asks.

On SQLite a later migration that alters such a table rebuilds it, and its triggers are lost on the way: run
`create_triggers` for it again in the same migration. A test and `manage.py check_ledger` notice where it was forgotten.
"""

from django.db.backends.base.base import BaseDatabaseWrapper
from django.db.migrations import AlterField, RunPython, SeparateDatabaseAndState
from django.db.models import ForeignKey, Index

TABLES = (
    "inventory_movement",
    "inventory_count",
    "inventory_receipt",
    "inventory_backorder",
    "inventory_datecheck",
    "inventory_assembly",
    "inventory_sealevent",
    "inventory_recallanswer",
    "inventory_hold",
    "restock_usagerecord",
    "restock_caselog",
    "restock_parchange",
    "restock_shortageaction",
    "restock_setupchange",
)
_EVENTS = ("update", "delete")

_CREATE_ON_SQLITE = """
    CREATE TRIGGER {table}_refuse_{event} BEFORE {event} ON {table}
    BEGIN SELECT RAISE(ABORT, '{message}'); END
"""
_CREATE_ON_POSTGRESQL = """
    CREATE FUNCTION {table}_refuse_{event}() RETURNS trigger LANGUAGE plpgsql AS $$
    BEGIN RAISE EXCEPTION '{message}' USING ERRCODE = 'integrity_constraint_violation'; END $$;
    CREATE TRIGGER {table}_refuse_{event} BEFORE {event} ON {table}
    FOR EACH ROW EXECUTE FUNCTION {table}_refuse_{event}()
"""


def creating_sql(table: str, vendor: str) -> list[str]:
    template = _CREATE_ON_SQLITE if vendor == "sqlite" else _CREATE_ON_POSTGRESQL
    message = f"{table} is append-only: nothing in it is changed or deleted. Record a correction instead."
    return [template.format(table=table, event=event, message=message) for event in _EVENTS]


def dropping_sql(table: str, vendor: str) -> list[str]:
    if vendor == "sqlite":
        return [f"DROP TRIGGER {table}_refuse_{event}" for event in _EVENTS]
    return [f"DROP FUNCTION {table}_refuse_{event} CASCADE" for event in _EVENTS]


def create_triggers(table: str) -> RunPython:
    """The migration operation that makes `table` append-only; backwards it lifts that again."""

    def forwards(apps, schema_editor):
        _run(creating_sql(table, schema_editor.connection.vendor), schema_editor.connection)

    def backwards(apps, schema_editor):
        _run(dropping_sql(table, schema_editor.connection.vendor), schema_editor.connection)

    return RunPython(forwards, backwards)


def drop_own_index(app: str, model: str, name: str, field: ForeignKey) -> SeparateDatabaseAndState:
    """The migration operation that takes the index of its own off a foreign key, in place.

    For a key that begins another index, too. To alter the field would rebuild the table on SQLite. field: as it is
    afterwards, with db_index=False.
    """

    def forwards(apps, schema_editor):
        connection, table = schema_editor.connection, apps.get_model(app, model)._meta.db_table
        with connection.cursor() as cursor:
            found = connection.introspection.get_constraints(cursor, table)
        for index, what in found.items():
            if what["index"] and not what["unique"] and what["columns"] == [f"{name}_id"]:
                schema_editor.execute(f"DROP INDEX {connection.ops.quote_name(index)}")

    def backwards(apps, schema_editor):
        schema_editor.add_index(apps.get_model(app, model), Index(fields=[name], name=f"{model}_{name}"))

    return SeparateDatabaseAndState(
        database_operations=[RunPython(forwards, backwards)], state_operations=[AlterField(model, name, field)]
    )


def _run(statements: list[str], connection: BaseDatabaseWrapper) -> None:
    with connection.cursor() as cursor:
        for statement in statements:
            cursor.execute(statement)


def missing_triggers(connection: BaseDatabaseWrapper) -> list[str]:
    """Names of triggers that should guard this database and do not."""
    if connection.vendor == "sqlite":
        known = "SELECT name FROM sqlite_master WHERE type = 'trigger'"
    else:
        known = "SELECT tgname FROM pg_trigger WHERE tgenabled <> 'D'"
    with connection.cursor() as cursor:
        cursor.execute(known)
        present = {name for (name,) in cursor.fetchall()}
    return [name for table in TABLES for event in _EVENTS if (name := f"{table}_refuse_{event}") not in present]
