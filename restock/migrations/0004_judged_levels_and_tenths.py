from django.db import migrations, models


class Migration(migrations.Migration):

    dependencies = [
        ("restock", "0003_substitutions"),
    ]

    operations = [
        migrations.RemoveField(model_name="judgement", name="covered"),
        migrations.RemoveField(model_name="judgement", name="stated"),
        migrations.AddField(model_name="judgement", name="levels", field=models.JSONField(default=list)),
        migrations.AddField(model_name="judgement", name="tenths", field=models.JSONField(default=list)),
    ]
