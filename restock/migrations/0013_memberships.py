import django.db.models.deletion
from django.conf import settings
from django.db import migrations, models

DEPARTMENT_GROUP = "department "


def members_of_what_they_could_reach(apps, schema_editor):
    """Of several departments it was the first whose group a person was in; a single department was everybody's."""
    departments = apps.get_model("inventory", "Department").objects.order_by("code")
    users = apps.get_model(settings.AUTH_USER_MODEL).objects
    groups = apps.get_model("auth", "Group").objects
    memberships = apps.get_model("restock", "Membership").objects
    alone = departments.count() == 1
    for department in departments:
        mine = users.filter(membership=None)
        if not alone:
            mine = mine.filter(groups__name=DEPARTMENT_GROUP + department.code)
        memberships.bulk_create(memberships.model(user=user, department=department) for user in mine)
        groups.filter(name=DEPARTMENT_GROUP + department.code).delete()


def groups_again(apps, schema_editor):
    groups = apps.get_model("auth", "Group").objects
    for membership in apps.get_model("restock", "Membership").objects.select_related("user", "department"):
        group, _ = groups.get_or_create(name=DEPARTMENT_GROUP + membership.department.code)
        membership.user.groups.add(group)


class Migration(migrations.Migration):
    dependencies = [
        ("auth", "0012_alter_user_first_name_max_length"),
        ("inventory", "0009_named_stand_ins"),
        ("restock", "0012_what_the_catalogue_said"),
        migrations.swappable_dependency(settings.AUTH_USER_MODEL),
    ]

    operations = [
        migrations.CreateModel(
            name="Membership",
            fields=[
                ("id", models.BigAutoField(auto_created=True, primary_key=True, serialize=False, verbose_name="ID")),
                (
                    "department",
                    models.ForeignKey(
                        on_delete=django.db.models.deletion.PROTECT,
                        related_name="memberships",
                        to="inventory.department",
                    ),
                ),
                (
                    "user",
                    models.OneToOneField(
                        error_messages={
                            "unique": "This person belongs to a department already: use another name to sign in with."
                        },
                        on_delete=django.db.models.deletion.CASCADE,
                        related_name="membership",
                        to=settings.AUTH_USER_MODEL,
                    ),
                ),
            ],
        ),
        migrations.RunPython(members_of_what_they_could_reach, groups_again),
    ]
