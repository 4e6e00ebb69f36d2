import django.db.models.deletion
from django.conf import settings
from django.db import migrations, models

from inventory.append_only import create_triggers


class Migration(migrations.Migration):

    dependencies = [
        ("inventory", "0007_packs_the_buyer_changed"),
        ("restock", "0009_orders_worked_out"),
        migrations.swappable_dependency(settings.AUTH_USER_MODEL),
    ]

    operations = [
        migrations.CreateModel(
            name="SetupChange",
            fields=[
                ("id", models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name="ID")),
                ("page", models.SlugField(help_text="Which set-up page.", max_length=40)),
                ("row", models.BigIntegerField(help_text="Its primary key there.")),
                ("title", models.CharField(help_text="What the row was called.", max_length=200)),
                ("before", models.JSONField(default=dict)),
                ("after", models.JSONField(default=dict)),
                ("at", models.DateTimeField()),
                ("by", models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name="setup_changes", to=settings.AUTH_USER_MODEL)),
                ("department", models.ForeignKey(on_delete=django.db.models.deletion.PROTECT, related_name="setup_changes", to="inventory.department")),
            ],
            options={
                "ordering": ["-at", "-pk"],
                "indexes": [models.Index(fields=["department", "page", "row"], name="setup_change_of_row")],
            },
        ),
        create_triggers("restock_setupchange"),
    ]
