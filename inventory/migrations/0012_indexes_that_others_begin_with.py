import django.db.models.deletion
from django.db import migrations, models

from inventory.append_only import drop_own_index


def of_place(related_name):
    return models.ForeignKey(
        db_index=False,
        on_delete=django.db.models.deletion.PROTECT,
        related_name=related_name,
        to="inventory.place",
    )


class Migration(migrations.Migration):
    dependencies = [
        ("inventory", "0011_words_of_every_rule"),
    ]

    operations = [
        drop_own_index("inventory", "movement", "source", of_place("movements_out")),
        drop_own_index("inventory", "movement", "destination", of_place("movements_in")),
        drop_own_index("inventory", "holding", "place", of_place("holdings")),
    ]
