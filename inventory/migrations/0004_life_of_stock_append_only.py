from django.db import migrations

from inventory.append_only import create_triggers

TABLES = (
    "inventory_receipt",
    "inventory_backorder",
    "inventory_datecheck",
    "inventory_assembly",
    "inventory_sealevent",
    "inventory_recallanswer",
    "inventory_hold",
)


def give_every_department_its_assembly(apps, schema_editor):
    """Departments opened before bundles existed have no place where pieces become bundles."""
    Department, Place = apps.get_model("inventory", "Department"), apps.get_model("inventory", "Place")
    Place.objects.bulk_create(
        Place(department=department, code="assembly", name="assembly", role="assembly")
        for department in Department.objects.exclude(places__role="assembly")
    )


class Migration(migrations.Migration):
    dependencies = [("inventory", "0003_life_of_stock")]

    operations = [
        migrations.RunPython(give_every_department_its_assembly, migrations.RunPython.noop),
        *(create_triggers(table) for table in TABLES),
    ]
