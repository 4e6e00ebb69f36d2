from django.conf import settings
from django.db import migrations, models


class Migration(migrations.Migration):
    dependencies = [
        ("inventory", "0010_second_codes_and_drawer_order"),
        migrations.swappable_dependency(settings.AUTH_USER_MODEL),
    ]

    operations = [
        migrations.AlterConstraint(
            model_name="bin",
            name="bin_code_unique",
            constraint=models.UniqueConstraint(
                fields=("place", "code"),
                name="bin_code_unique",
                violation_error_message="Another one here has this already: choose another.",
            ),
        ),
        migrations.AlterConstraint(
            model_name="bundlepiece",
            name="bundle_holds_a_piece",
            constraint=models.CheckConstraint(
                condition=models.Q(("pieces_per_bundle__gte", 1)),
                name="bundle_holds_a_piece",
                violation_error_code="pieces_per_bundle",
                violation_error_message="A bundle holds at least one piece of each of its lines.",
            ),
        ),
        migrations.AlterConstraint(
            model_name="bundlepiece",
            name="bundle_does_not_hold_itself",
            constraint=models.CheckConstraint(
                condition=models.Q(("bundle", models.F("piece")), _negated=True),
                name="bundle_does_not_hold_itself",
                violation_error_code="piece",
                violation_error_message="A bundle cannot hold itself.",
            ),
        ),
        migrations.AlterConstraint(
            model_name="cartkind",
            name="cart_kind_code_unique",
            constraint=models.UniqueConstraint(
                fields=("department", "code"),
                name="cart_kind_code_unique",
                violation_error_message="Another one here has this already: choose another.",
            ),
        ),
        migrations.AlterConstraint(
            model_name="consumable",
            name="consumable_code_unique",
            constraint=models.UniqueConstraint(
                fields=("department", "code"),
                name="consumable_code_unique",
                violation_error_message="Another one here has this already: choose another.",
            ),
        ),
        migrations.AlterConstraint(
            model_name="consumable",
            name="size_run_has_positions",
            constraint=models.CheckConstraint(
                condition=models.Q(("size_run__isnull", True), ("size_position__isnull", False), _connector="OR"),
                name="size_run_has_positions",
                violation_error_code="size_position",
                violation_error_message="A line in a size run needs its position in the run, smallest first.",
            ),
        ),
        migrations.AlterConstraint(
            model_name="consumable",
            name="price_not_negative",
            constraint=models.CheckConstraint(
                condition=models.Q(("price_per_piece__isnull", True), ("price_per_piece__gte", 0), _connector="OR"),
                name="price_not_negative",
                violation_error_code="price_per_piece",
                violation_error_message="A price is 0 or more.",
            ),
        ),
        migrations.AlterConstraint(
            model_name="holding",
            name="holding_unique",
            constraint=models.UniqueConstraint(
                fields=("place", "consumable", "lot"),
                name="holding_unique",
                violation_error_message="This place already has a balance of this lot.",
            ),
        ),
        migrations.AlterConstraint(
            model_name="lot",
            name="lot_number_unique",
            constraint=models.UniqueConstraint(
                fields=("consumable", "number"),
                name="lot_number_unique",
                violation_error_message="This line has a lot of that number already: choose that one.",
            ),
        ),
        migrations.AlterConstraint(
            model_name="namedstandin",
            name="named_stand_in_unique",
            constraint=models.UniqueConstraint(
                fields=("wanted", "stand_in"),
                name="named_stand_in_unique",
                violation_error_message="This line is named as its stand-in already.",
            ),
        ),
        migrations.AlterConstraint(
            model_name="packaging",
            name="pack_holds_a_piece",
            constraint=models.CheckConstraint(
                condition=models.Q(("pieces_per_pack__gte", 1)),
                name="pack_holds_a_piece",
                violation_error_code="pieces_per_pack",
                violation_error_message="A pack holds at least one piece.",
            ),
        ),
        migrations.AlterConstraint(
            model_name="place",
            name="place_code_unique",
            constraint=models.UniqueConstraint(
                fields=("department", "code"),
                name="place_code_unique",
                violation_error_message="Another one here has this already: choose another.",
            ),
        ),
        migrations.AlterConstraint(
            model_name="place",
            name="only_carts_are_parked",
            constraint=models.CheckConstraint(
                condition=models.Q(
                    ("role", "cart"), models.Q(("kind__isnull", True), ("room__isnull", True)), _connector="OR"
                ),
                name="only_carts_are_parked",
                violation_error_code="room",
                violation_error_message="Only a cart has a kind of cart and a room to stand in.",
            ),
        ),
        migrations.AlterConstraint(
            model_name="recalllot",
            name="recall_lot_unique",
            constraint=models.UniqueConstraint(
                fields=("recall", "lot"),
                name="recall_lot_unique",
                violation_error_message="This lot belongs to the recall already.",
            ),
        ),
        migrations.AlterConstraint(
            model_name="recallplace",
            name="recall_place_unique",
            constraint=models.UniqueConstraint(
                fields=("recall", "place"),
                name="recall_place_unique",
                violation_error_message="This place is asked already.",
            ),
        ),
        migrations.AlterConstraint(
            model_name="room",
            name="room_code_unique",
            constraint=models.UniqueConstraint(
                fields=("department", "code"),
                name="room_code_unique",
                violation_error_message="Another one here has this already: choose another.",
            ),
        ),
        migrations.AlterConstraint(
            model_name="sizerun",
            name="size_run_code_unique",
            constraint=models.UniqueConstraint(
                fields=("department", "code"),
                name="size_run_code_unique",
                violation_error_message="Another one here has this already: choose another.",
            ),
        ),
        migrations.AlterConstraint(
            model_name="stockingline",
            name="par_fits_the_bin",
            constraint=models.CheckConstraint(
                condition=models.Q(("capacity__isnull", True), ("par__lte", models.F("capacity")), _connector="OR"),
                name="par_fits_the_bin",
                violation_error_code="par",
                violation_error_message="Par is more than the bin can hold: lower par or correct the capacity.",
            ),
        ),
        migrations.AlterConstraint(
            model_name="stockingline",
            name="floor_fits_the_bin",
            constraint=models.CheckConstraint(
                condition=models.Q(("capacity__isnull", True), ("floor__lte", models.F("capacity")), _connector="OR"),
                name="floor_fits_the_bin",
                violation_error_code="floor",
                violation_error_message="The floor is more than the bin can hold: lower it or correct the capacity.",
            ),
        ),
    ]
