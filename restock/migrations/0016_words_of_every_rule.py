import django.db.models.functions.comparison
from django.conf import settings
from django.db import migrations, models


class Migration(migrations.Migration):
    dependencies = [
        ("inventory", "0011_words_of_every_rule"),
        ("restock", "0015_opened_by_cases"),
        migrations.swappable_dependency(settings.AUTH_USER_MODEL),
    ]

    operations = [
        migrations.AlterConstraint(
            model_name="advisedpar",
            name="advised_par_unique",
            constraint=models.UniqueConstraint(
                fields=("run", "stocking_line"),
                name="advised_par_unique",
                violation_error_message="What was worked out contradicts itself: work it out anew.",
            ),
        ),
        migrations.AlterConstraint(
            model_name="calibration",
            name="calibration_of_kind_unique",
            constraint=models.UniqueConstraint(
                fields=("department", "kind"),
                name="calibration_of_kind_unique",
                violation_error_message="What was judged contradicts itself: judge the forecast anew.",
            ),
        ),
        migrations.AlterConstraint(
            model_name="capturerate",
            name="capture_rate_unique",
            constraint=models.UniqueConstraint(
                fields=("fit", "consumable"),
                name="capture_rate_unique",
                violation_error_message="What was learned contradicts itself: run manage.py learn --refit.",
            ),
        ),
        migrations.AlterConstraint(
            model_name="capturerate",
            name="capture_rate_within_its_interval",
            constraint=models.CheckConstraint(
                condition=models.Q(
                    ("high__lte", 1), ("low__gte", 0), ("low__lte", models.F("mean")), ("mean__lte", models.F("high"))
                ),
                name="capture_rate_within_its_interval",
                violation_error_message="What was learned contradicts itself: run manage.py learn --refit.",
            ),
        ),
        migrations.AlterConstraint(
            model_name="casetype",
            name="case_type_code_unique",
            constraint=models.UniqueConstraint(
                fields=("department", "code"),
                name="case_type_code_unique",
                violation_error_message="Another one here has this already: choose another.",
            ),
        ),
        migrations.AlterConstraint(
            model_name="dayeffect",
            name="day_effect_unique",
            constraint=models.UniqueConstraint(
                fields=("fit", "consumable"),
                name="day_effect_unique",
                violation_error_message="What was learned contradicts itself: run manage.py learn --refit.",
            ),
        ),
        migrations.AlterConstraint(
            model_name="dayeffect",
            name="day_effect_is_one",
            constraint=models.CheckConstraint(
                condition=models.Q(("sigma__gt", 0)),
                name="day_effect_is_one",
                violation_error_message="What was learned contradicts itself: run manage.py learn --refit.",
            ),
        ),
        migrations.AlterConstraint(
            model_name="extra",
            name="extra_code_unique",
            constraint=models.UniqueConstraint(
                fields=("department", "code"),
                name="extra_code_unique",
                violation_error_message="Another one here has this already: choose another.",
            ),
        ),
        migrations.AlterConstraint(
            model_name="headingmap",
            name="heading_map_unique",
            constraint=models.UniqueConstraint(
                fields=("department", "kind"),
                name="heading_map_unique",
                violation_error_message="What headings of this kind of sheet mean is kept already: change that.",
            ),
        ),
        migrations.AlterConstraint(
            model_name="linedrift",
            name="line_drift_unique",
            constraint=models.UniqueConstraint(
                fields=("judgement", "consumable"),
                name="line_drift_unique",
                violation_error_message="What was judged contradicts itself: judge the forecast anew.",
            ),
        ),
        migrations.AlterConstraint(
            model_name="lineweights",
            name="weights_of_consumable_unique",
            constraint=models.UniqueConstraint(
                fields=("fit", "consumable", "by_room"),
                name="weights_of_consumable_unique",
                violation_error_message="What was learned contradicts itself: run manage.py learn --refit.",
            ),
        ),
        migrations.AlterConstraint(
            model_name="lineweights",
            name="weights_of_size_run_unique",
            constraint=models.UniqueConstraint(
                fields=("fit", "size_run", "by_room"),
                name="weights_of_size_run_unique",
                violation_error_message="What was learned contradicts itself: run manage.py learn --refit.",
            ),
        ),
        migrations.AlterConstraint(
            model_name="lineweights",
            name="weights_of_one_thing",
            constraint=models.CheckConstraint(
                condition=models.Q(
                    models.Q(("consumable__isnull", False), ("size_run__isnull", True)),
                    models.Q(("consumable__isnull", True), ("size_run__isnull", False)),
                    _connector="OR",
                ),
                name="weights_of_one_thing",
                violation_error_message="What was learned contradicts itself: run manage.py learn --refit.",
            ),
        ),
        migrations.AlterConstraint(
            model_name="openedtally",
            name="opened_unique",
            constraint=models.UniqueConstraint(
                fields=("case_type", "consumable"),
                name="opened_unique",
                violation_error_message="What was learned contradicts itself: run manage.py learn --rebuild.",
            ),
        ),
        migrations.AlterConstraint(
            model_name="orderpolicy",
            name="review_at_least_daily",
            constraint=models.CheckConstraint(
                condition=models.Q(("review_days__gte", 1)),
                name="review_at_least_daily",
                violation_error_code="review_days",
                violation_error_message="Orders are reviewed every day or less often: at least 1.",
            ),
        ),
        migrations.AlterConstraint(
            model_name="orderpolicy",
            name="delivery_not_before_order",
            constraint=models.CheckConstraint(
                condition=models.Q(("lead_spread_days__lte", models.F("lead_days"))),
                name="delivery_not_before_order",
                violation_error_code="lead_spread_days",
                violation_error_message="A delivery cannot come before its order: the spread is at most the lead time.",
            ),
        ),
        migrations.AlterConstraint(
            model_name="orderpolicy",
            name="order_holds_a_piece",
            constraint=models.CheckConstraint(
                condition=models.Q(("order_pieces__isnull", True), ("order_pieces__gte", 1), _connector="OR"),
                name="order_holds_a_piece",
                violation_error_code="order_pieces",
                violation_error_message="A fixed order holds at least one piece.",
            ),
        ),
        migrations.AlterConstraint(
            model_name="orderpolicy",
            name="order_service_is_a_share",
            constraint=models.CheckConstraint(
                condition=models.Q(
                    ("service__isnull", True), models.Q(("service__gt", 0), ("service__lt", 1)), _connector="OR"
                ),
                name="order_service_is_a_share",
                violation_error_code="service",
                violation_error_message="A service level lies between 0 and 1, both left out: 0.98, not 98.",
            ),
        ),
        migrations.AlterConstraint(
            model_name="pick",
            name="pick_quantity_positive",
            constraint=models.CheckConstraint(
                condition=models.Q(("quantity__gt", 0)),
                name="pick_quantity_positive",
                violation_error_message="A pick is of at least one piece.",
            ),
        ),
        migrations.AlterConstraint(
            model_name="pick",
            name="pick_unique",
            constraint=models.UniqueConstraint(
                fields=("plan_line", "storeroom", "lot"),
                name="pick_unique",
                violation_error_message="The plan names this twice: make the plan anew.",
            ),
        ),
        migrations.AlterConstraint(
            model_name="pick",
            name="pick_without_lot_unique",
            constraint=models.UniqueConstraint(
                condition=models.Q(("lot__isnull", True)),
                fields=("plan_line", "storeroom"),
                name="pick_without_lot_unique",
                violation_error_message="The plan names this twice: make the plan anew.",
            ),
        ),
        migrations.AlterConstraint(
            model_name="planline",
            name="plan_line_unique",
            constraint=models.UniqueConstraint(
                fields=("plan", "place", "consumable"),
                name="plan_line_unique",
                violation_error_message="The plan names this twice: make the plan anew.",
            ),
        ),
        migrations.AlterConstraint(
            model_name="policy",
            name="service_never_out_is_a_share",
            constraint=models.CheckConstraint(
                condition=models.Q(("service_never_out__gt", 0), ("service_never_out__lt", 1)),
                name="service_never_out_is_a_share",
                violation_error_code="service_never_out",
                violation_error_message="A service level lies between 0 and 1, both left out: 0.995, not 99.5.",
            ),
        ),
        migrations.AlterConstraint(
            model_name="policy",
            name="service_routine_is_a_share",
            constraint=models.CheckConstraint(
                condition=models.Q(("service_routine__gt", 0), ("service_routine__lt", 1)),
                name="service_routine_is_a_share",
                violation_error_code="service_routine",
                violation_error_message="A service level lies between 0 and 1, both left out: 0.95, not 95.",
            ),
        ),
        migrations.AlterConstraint(
            model_name="policy",
            name="never_out_weighs_at_least_one",
            constraint=models.CheckConstraint(
                condition=models.Q(("weight_never_out__gte", 1)),
                name="never_out_weighs_at_least_one",
                violation_error_code="weight_never_out",
                violation_error_message="A never-out piece cannot weigh less than a routine one.",
            ),
        ),
        migrations.AlterConstraint(
            model_name="policy",
            name="half_life_at_least_a_day",
            constraint=models.CheckConstraint(
                condition=models.Q(("half_life_days__gte", 1)),
                name="half_life_at_least_a_day",
                violation_error_code="half_life_days",
                violation_error_message="The half-life is at least one day.",
            ),
        ),
        migrations.AlterConstraint(
            model_name="policy",
            name="costs_of_advice_not_negative",
            constraint=models.CheckConstraint(
                condition=models.Q(
                    ("handling_per_piece__gte", 0),
                    ("handling_per_walk__gte", 0),
                    ("idle_piece__gte", 0),
                    ("wasted_piece__gte", 0),
                ),
                name="costs_of_advice_not_negative",
                violation_error_code="handling_per_piece",
                violation_error_message="A cost is 0 or more, counted in missing routine pieces.",
            ),
        ),
        migrations.AlterConstraint(
            model_name="policy",
            name="short_dated_is_a_share",
            constraint=models.CheckConstraint(
                condition=models.Q(
                    ("short_dated_share__isnull", True),
                    models.Q(("short_dated_share__gt", 0), ("short_dated_share__lt", 1)),
                    _connector="OR",
                ),
                name="short_dated_is_a_share",
                violation_error_code="short_dated_share",
                violation_error_message="A share of the shelf life lies between 0 and 1: 0.25, not 25.",
            ),
        ),
        migrations.AlterConstraint(
            model_name="policy",
            name="recount_share_is_a_share",
            constraint=models.CheckConstraint(
                condition=models.Q(("recount_share__gte", 0), ("recount_share__lte", 1)),
                name="recount_share_is_a_share",
                violation_error_code="recount_share",
                violation_error_message="A share lies between 0 and 1: 0.2, not 20.",
            ),
        ),
        migrations.AlterConstraint(
            model_name="quantitytally",
            name="tally_of_consumable_unique",
            constraint=models.UniqueConstraint(
                condition=models.Q(("size_run__isnull", True)),
                fields=("stratum", "consumable", "quantity", "cut_off"),
                name="tally_of_consumable_unique",
                violation_error_message="What was learned contradicts itself: run manage.py learn --rebuild.",
            ),
        ),
        migrations.AlterConstraint(
            model_name="quantitytally",
            name="tally_of_size_run_unique",
            constraint=models.UniqueConstraint(
                condition=models.Q(("consumable__isnull", True)),
                fields=("stratum", "size_run", "quantity", "cut_off"),
                name="tally_of_size_run_unique",
                violation_error_message="What was learned contradicts itself: run manage.py learn --rebuild.",
            ),
        ),
        migrations.AlterConstraint(
            model_name="quantitytally",
            name="tally_of_one_thing",
            constraint=models.CheckConstraint(
                condition=models.Q(
                    models.Q(("consumable__isnull", False), ("size_run__isnull", True)),
                    models.Q(("consumable__isnull", True), ("size_run__isnull", False)),
                    _connector="OR",
                ),
                name="tally_of_one_thing",
                violation_error_message="What was learned contradicts itself: run manage.py learn --rebuild.",
            ),
        ),
        migrations.AlterConstraint(
            model_name="quantitytally",
            name="tally_quantity_positive",
            constraint=models.CheckConstraint(
                condition=models.Q(("quantity__gt", 0)),
                name="tally_quantity_positive",
                violation_error_message="What was learned contradicts itself: run manage.py learn --rebuild.",
            ),
        ),
        migrations.AlterConstraint(
            model_name="rulescore",
            name="rule_score_unique",
            constraint=models.UniqueConstraint(
                fields=("judgement", "rule", "score"),
                name="rule_score_unique",
                violation_error_message="What was judged contradicts itself: judge the forecast anew.",
            ),
        ),
        migrations.AlterConstraint(
            model_name="setupstandard",
            name="setup_row_unique",
            constraint=models.UniqueConstraint(
                django.db.models.functions.comparison.Coalesce("case_type", 0),
                django.db.models.functions.comparison.Coalesce("size_class", 0),
                django.db.models.functions.comparison.Coalesce("extra", 0),
                django.db.models.functions.comparison.Coalesce("consumable", 0),
                django.db.models.functions.comparison.Coalesce("size_run", 0),
                name="setup_row_unique",
                violation_error_code="consumable",
                violation_error_message="This set-up standard already has a row for that.",
            ),
        ),
        migrations.AlterConstraint(
            model_name="setupstandard",
            name="setup_is_for_something",
            constraint=models.CheckConstraint(
                condition=models.Q(
                    ("case_type__isnull", False),
                    ("extra__isnull", False),
                    models.Q(("consumable__isnull", False), ("size_class__isnull", False)),
                    _connector="OR",
                ),
                name="setup_is_for_something",
                violation_error_code="case_type",
                violation_error_message="Say for which case type or booked extra this is laid out, or for which size class this size is the usual one.",
            ),
        ),
        migrations.AlterConstraint(
            model_name="setupstandard",
            name="setup_names_one_thing",
            constraint=models.CheckConstraint(
                condition=models.Q(
                    models.Q(("consumable__isnull", False), ("size_run__isnull", True)),
                    models.Q(("consumable__isnull", True), ("size_run__isnull", False)),
                    _connector="OR",
                ),
                name="setup_names_one_thing",
                violation_error_code="consumable",
                violation_error_message="Name one consumable or one size run, not both and not neither.",
            ),
        ),
        migrations.AlterConstraint(
            model_name="setupstandard",
            name="setup_probability_is_a_share",
            constraint=models.CheckConstraint(
                condition=models.Q(("probability__gt", 0), ("probability__lte", 1)),
                name="setup_probability_is_a_share",
                violation_error_code="probability",
                violation_error_message="The probability lies above 0 and at most at 1: 0.7, not 70.",
            ),
        ),
        migrations.AlterConstraint(
            model_name="setupstandard",
            name="setup_quantity_positive",
            constraint=models.CheckConstraint(
                condition=models.Q(("quantity__gt", 0)),
                name="setup_quantity_positive",
                violation_error_code="quantity",
                violation_error_message="The quantity when opened is more than 0.",
            ),
        ),
        migrations.AlterConstraint(
            model_name="shortage",
            name="shortage_is_short",
            constraint=models.CheckConstraint(
                condition=models.Q(("short_by__gt", 0)),
                name="shortage_is_short",
                violation_error_message="A shortage lacks at least one piece.",
            ),
        ),
        migrations.AlterConstraint(
            model_name="sizeclass",
            name="size_class_code_unique",
            constraint=models.UniqueConstraint(
                fields=("department", "code"),
                name="size_class_code_unique",
                violation_error_message="Another one here has this already: choose another.",
            ),
        ),
        migrations.AlterConstraint(
            model_name="sizeclass",
            name="one_default_size_class",
            constraint=models.UniqueConstraint(
                condition=models.Q(("is_default", True)),
                fields=("department",),
                name="one_default_size_class",
                violation_error_code="is_default",
                violation_error_message="Another size class is already the default.",
            ),
        ),
        migrations.AlterConstraint(
            model_name="sizeclass",
            name="size_class_ages_in_order",
            constraint=models.CheckConstraint(
                condition=models.Q(
                    ("age_days_from__isnull", True),
                    ("age_days_below__isnull", True),
                    ("age_days_from__lt", models.F("age_days_below")),
                    _connector="OR",
                ),
                name="size_class_ages_in_order",
                violation_error_code="age_days_below",
                violation_error_message="The lower age must lie below the upper one.",
            ),
        ),
        migrations.AlterConstraint(
            model_name="splittally",
            name="split_unique",
            constraint=models.UniqueConstraint(
                fields=("case_type", "size_class", "consumable"),
                name="split_unique",
                violation_error_message="What was learned contradicts itself: run manage.py learn --rebuild.",
            ),
        ),
        migrations.AlterConstraint(
            model_name="storeroomcover",
            name="storeroom_cover_unique",
            constraint=models.UniqueConstraint(
                fields=("place", "consumable"),
                name="storeroom_cover_unique",
                violation_error_message="What was worked out contradicts itself: work it out anew.",
            ),
        ),
        migrations.AlterConstraint(
            model_name="stratum",
            name="case_stratum_unique",
            constraint=models.UniqueConstraint(
                condition=models.Q(("room__isnull", True)),
                fields=("case_type", "technique", "size_class", "extras"),
                name="case_stratum_unique",
                violation_error_message="What was learned contradicts itself: run manage.py learn --rebuild.",
            ),
        ),
        migrations.AlterConstraint(
            model_name="stratum",
            name="room_stratum_unique",
            constraint=models.UniqueConstraint(
                condition=models.Q(("room__isnull", False)),
                fields=("room",),
                name="room_stratum_unique",
                violation_error_message="What was learned contradicts itself: run manage.py learn --rebuild.",
            ),
        ),
        migrations.AlterConstraint(
            model_name="stratum",
            name="stratum_of_cases_or_of_a_room",
            constraint=models.CheckConstraint(
                condition=models.Q(
                    models.Q(
                        ("case_type__isnull", True),
                        ("room__isnull", False),
                        ("size_class__isnull", True),
                        ("technique__isnull", True),
                    ),
                    models.Q(
                        ("case_type__isnull", False),
                        ("room__isnull", True),
                        ("size_class__isnull", False),
                        ("technique__isnull", False),
                    ),
                    _connector="OR",
                ),
                name="stratum_of_cases_or_of_a_room",
                violation_error_message="What was learned contradicts itself: run manage.py learn --rebuild.",
            ),
        ),
        migrations.AlterConstraint(
            model_name="technique",
            name="technique_code_unique",
            constraint=models.UniqueConstraint(
                fields=("department", "code"),
                name="technique_code_unique",
                violation_error_message="Another one here has this already: choose another.",
            ),
        ),
    ]
