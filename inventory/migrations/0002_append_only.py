from django.db import migrations

from inventory.append_only import create_triggers


class Migration(migrations.Migration):
    dependencies = [("inventory", "0001_initial")]

    operations = [create_triggers("inventory_movement"), create_triggers("inventory_count")]
