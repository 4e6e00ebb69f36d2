from django.db import migrations, models

COMPARED = ("size", "connector", "latex", "single_use")


def state_as_of_now(apps, schema_editor):
    """Nobody kept what the catalogue said when older cards were proposed: they hold until it changes from now on."""
    cards = apps.get_model("restock", "Substitution").objects.filter(ended_at=None)
    for card in cards.select_related("wanted", "stand_in"):
        lines = {"wanted": card.wanted, "stand_in": card.stand_in}
        card.stated = {which: {name: getattr(line, name) for name in COMPARED} for which, line in lines.items()}
        card.save(update_fields=["stated"])


class Migration(migrations.Migration):
    dependencies = [
        ("restock", "0011_accuracy_on_request"),
    ]

    operations = [
        migrations.AddField(
            model_name="substitution",
            name="stated",
            field=models.JSONField(
                blank=True, default=dict, help_text="What the catalogue said of both lines when the card was proposed."
            ),
        ),
        migrations.RunPython(state_as_of_now, migrations.RunPython.noop),
    ]
