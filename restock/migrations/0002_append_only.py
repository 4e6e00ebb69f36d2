from django.db import migrations

from inventory.append_only import create_triggers


class Migration(migrations.Migration):
    dependencies = [("restock", "0001_initial")]

    operations = [create_triggers("restock_usagerecord")]
