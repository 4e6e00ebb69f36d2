"""Every page that opens by its address, at the width of a phone and of a desk. The pages come from the URL
configuration, so a new one is audited without anybody thinking of it."""

import pytest
from django.urls import reverse

from tests.web.routes import address_of, every_route

from .conftest import DESKTOP, PHONE

pytestmark = pytest.mark.django_db(transaction=True)


def pages(client, line):
    """Addresses of all pages of our own; the admin site is Django's."""
    for name, _, arguments in every_route():
        if name.startswith("admin:"):
            continue
        address = address_of(name, arguments, line)
        answer = client.get(address)
        if answer.status_code == 200 and answer["Content-Type"].startswith("text/html"):
            yield address


def test_no_page_has_a_serious_axe_finding_on_phone_and_desk(page, live_server, sign_in, client, evening, axe):
    line = evening(3)
    page.goto(live_server.url + reverse("sign-in"))
    axe()
    sign_in("supervisor")
    addresses = list(pages(client, line))
    assert addresses

    for address in addresses:
        page.goto(live_server.url + address)
        for size in (PHONE, DESKTOP):
            page.set_viewport_size(size)
            axe()
            sideways = page.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth")
            assert sideways <= 0, f"{address} scrolls sideways at {size['width']} px"
