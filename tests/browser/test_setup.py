"""A supervisor sets up in the browser: a sheet with headings of its own, and a par sheet by keyboard alone."""

import pytest
from django.urls import reverse

from inventory.models import Consumable, StockingLine
from restock.models import ParChange
from tests.factories import StockingLineFactory

from .conftest import DESKTOP, PHONE

pytestmark = pytest.mark.django_db(transaction=True)


@pytest.mark.parametrize("size", [PHONE, DESKTOP], ids=["phone", "desk"])
def test_sheet_with_own_headings_is_mended_and_applied(
    page, live_server, sign_in, department, settings, tmp_path, axe, screenshot, forgiven, size
):
    forgiven.append("Failed to load resource: the server responded with a status of 400")  # the faulty sheet
    settings.UPLOAD_FOLDER = str(tmp_path / "waiting")
    page.set_viewport_size(size)
    sign_in("supervisor")

    def bring(part):
        sheet = tmp_path / "ours.csv"
        sheet.write_text(f"Article no.;What it is;Part\nETT-8.0;Tracheal tube;{part}\n")
        page.goto(live_server.url + reverse("sheets"))
        page.set_input_files("[name=file]", sheet)
        page.get_by_role("button", name="Look at its headings").click()

    bring("nowhere")
    page.get_by_label("code", exact=True).select_option(label="“Article no.”")
    page.get_by_label("name", exact=True).select_option(label="“What it is”")
    page.get_by_label("section", exact=True).select_option(label="“Part”")
    axe()
    page.get_by_role("button", name="Check every row").click()
    assert page.get_by_text("row 2, column Part").is_visible()
    axe()
    screenshot("faulty")

    bring("airway")
    page.get_by_label("code", exact=True).select_option(label="“Article no.”")
    page.get_by_label("name", exact=True).select_option(label="“What it is”")
    page.get_by_label("section", exact=True).select_option(label="“Part”")
    page.get_by_role("button", name="Check every row").click()
    page.get_by_role("button", name="Apply all of it").click()
    assert page.get_by_role("heading", name="It is in").is_visible()
    screenshot("applied")
    assert Consumable.objects.get().code == "ETT-8.0"

    bring("airway")  # now the headings are known
    assert page.get_by_label("code", exact=True).input_value() == "0"


def test_par_sheet_is_changed_by_keyboard_alone(page, live_server, sign_in, cart, screenshot):
    for _ in range(3):
        StockingLineFactory(place=cart, par=5)
    page.set_viewport_size(DESKTOP)
    sign_in("supervisor")
    page.goto(live_server.url + reverse("par-sheet", args=[cart.pk]))

    page.locator("[name=form-0-par]").focus()
    page.keyboard.press("ArrowDown")
    page.keyboard.press("ArrowDown")
    page.keyboard.type("8")
    page.locator("[name=reason]").focus()
    page.keyboard.type("Busier list")
    page.keyboard.press("Enter")

    page.get_by_text("Pars changed lately").wait_for()
    screenshot("saved")
    assert sorted(StockingLine.objects.values_list("par", flat=True)) == [5, 5, 8]
    assert ParChange.objects.get().reason == "Busier list"
