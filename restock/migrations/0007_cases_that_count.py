"""Cases say whether they count in the tallies. The tallies so far do not know, so they are worked out anew at night."""

from django.db import migrations, models


def forget_tallies(apps, schema_editor):
    for name in ("QuantityTally", "Stratum", "SplitTally", "OpenedTally", "Learning"):
        apps.get_model("restock", name).objects.all().delete()


class Migration(migrations.Migration):

    dependencies = [
        ("restock", "0006_second_counts"),
    ]

    operations = [
        migrations.AddField(
            model_name="case",
            name="tallied",
            field=models.BooleanField(
                default=False, editable=False, help_text="It counts in the tallies of what was learned."
            ),
        ),
        migrations.RunPython(forget_tallies, migrations.RunPython.noop),
    ]
