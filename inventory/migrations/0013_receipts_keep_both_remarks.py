from django.db import migrations, models


class Migration(migrations.Migration):
    dependencies = [
        ("inventory", "0012_indexes_that_others_begin_with"),
    ]

    operations = [
        migrations.AlterField(
            model_name="receipt",
            name="remark",
            field=models.CharField(
                blank=True,
                choices=[
                    ("", "as ordered"),
                    ("more", "more than ordered"),
                    ("not_ordered", "not on this order"),
                    ("short_dated", "short-dated on arrival"),
                    ("short_dated_more", "short-dated on arrival, more than ordered"),
                    ("short_not_ordered", "short-dated on arrival, not on this order"),
                ],
                default="",
                max_length=20,
            ),
        ),
    ]
