import django.db.models.deletion
from django.db import migrations, models

from inventory.append_only import drop_own_index


class Migration(migrations.Migration):
    dependencies = [
        ("restock", "0016_words_of_every_rule"),
    ]

    operations = [
        migrations.RemoveIndex(
            model_name="usagerecord",
            name="usage_by_consumable",
        ),
        drop_own_index(
            "restock",
            "usagerecord",
            "case",
            models.ForeignKey(
                blank=True,
                db_index=False,
                null=True,
                on_delete=django.db.models.deletion.PROTECT,
                related_name="usage",
                to="restock.case",
            ),
        ),
    ]
