from django.db import migrations

from inventory.append_only import create_triggers


class Migration(migrations.Migration):
    dependencies = [("restock", "0001_initial")]

    operations = [
        create_triggers(table)
        for table in ("restock_usagerecord", "restock_caselog", "restock_parchange", "restock_shortageaction")
    ]
