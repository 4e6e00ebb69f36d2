"""Content lists against guidance. The figures are the guidance's own; where they were read stands in the module."""

from datetime import date

from inventory.guidance import ALL, DIFFICULT_AIRWAY, MALIGNANT_HYPERTHERMIA, Found, Held, compare


def found(guidance, **held):
    held = {code.replace("_", "-"): lines for code, lines in held.items()}
    return {row.item.code: row.found for row in compare(guidance, held)}


def test_amounts_of_dantrolene_and_water_are_the_published_ones():
    """MHAUS: 36 vials of 20 mg with 60 mL of water each, or 3 of 250 mg; MHANZ: 24, or 36 where large or remote."""
    amounts = {item.code: item.amount for item in MALIGNANT_HYPERTHERMIA.items}

    assert amounts["mh-dantrolene-20"].startswith("36 vials; Australia and New Zealand: at least 24, and 36 in large")
    assert amounts["mh-dantrolene-250"] == "3 vials"
    assert amounts["mh-water"].startswith("60 mL for each vial of 20 mg")


def test_drug_is_there_or_not_and_never_judged_by_its_number():
    rows = found(MALIGNANT_HYPERTHERMIA, mh_dantrolene_20=[Held("20 mg", 1, date(2027, 1, 1))], mh_water=[Held("w", 0)])

    assert rows["mh-dantrolene-20"] is Found.PRESENT
    assert rows["mh-water"] is Found.ABSENT
    assert all(item.least_pieces is None for item in MALIGNANT_HYPERTHERMIA.items if item.pharmacy)


def test_one_form_of_dantrolene_covers_the_other():
    assert found(MALIGNANT_HYPERTHERMIA, mh_dantrolene_250=[Held("250 mg", 3)])["mh-dantrolene-20"] is Found.COVERED
    assert found(MALIGNANT_HYPERTHERMIA, mh_dantrolene_250=[Held("250 mg", 0)])["mh-dantrolene-20"] is Found.NOT_CHOSEN


def test_fewer_pieces_or_sizes_than_asked_show():
    assert found(MALIGNANT_HYPERTHERMIA, mh_charcoal=[Held("pair", 1)])["mh-charcoal"] is Found.FEWER
    sizes = [Held("3", 2), Held("4", 2), Held("5", 0)]
    assert found(DIFFICULT_AIRWAY, da_b_supraglottic=sizes)["da-b-supraglottic"] is Found.FEWER
    assert found(DIFFICULT_AIRWAY, da_b_supraglottic=[*sizes, Held("5 other", 1)])["da-b-supraglottic"] is Found.PRESENT


def test_row_without_a_chosen_line_says_so_whatever_the_cart_holds():
    assert set(found(DIFFICULT_AIRWAY).values()) == {Found.NOT_CHOSEN}


def test_drawers_follow_the_plans_a_to_d():
    """Difficult Airway Society: intubation, supraglottic airway, facemask, front of neck."""
    groups = dict.fromkeys(item.group for item in DIFFICULT_AIRWAY.items if item.group.startswith("plan"))

    assert list(groups) == [
        "plan A: intubation", "plan B: supraglottic airway", "plan C: facemask", "plan D: front of neck",
    ]  # fmt: skip


def test_codes_are_one_of_a_kind_and_fit_the_table():
    codes = [item.code for guidance in ALL.values() for item in guidance.items]

    assert len(codes) == len(set(codes))
    assert max(map(len, codes)) <= 50
