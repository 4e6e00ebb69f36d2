"""Stored reasons said "tomorrow", which is true for one night; now they say "that day", as those written since."""

from django.db import migrations
from django.db.models import Value
from django.db.models.functions import Replace


def name_the_day(apps, schema_editor):
    lines = apps.get_model("restock", "PlanLine").objects
    for said, now in (("case tomorrow uses", "case that day uses"), ("cases tomorrow use", "cases that day use")):
        lines.filter(reason__contains=said).update(reason=Replace("reason", Value(said), Value(now)))


class Migration(migrations.Migration):
    dependencies = [("restock", "0017_indexes_that_others_begin_with")]

    operations = [migrations.RunPython(name_the_day, migrations.RunPython.noop)]
