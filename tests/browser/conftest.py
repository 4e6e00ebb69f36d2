"""Browser tests: Debian's Chromium, driven by Playwright, against the site served on this machine.

Where there is no Chromium they are skipped and say so; `CHROMIUM_PATH` names one that stands elsewhere. Screenshots
go to the folder that `EVENFILL_SCREENSHOTS` names, or else to a temporary one; never into the repository.
"""

import os
import shutil
import tempfile
from pathlib import Path

import pytest
from django.utils.text import slugify

from tests.factories import UserFactory
from tests.web.conftest import add_line, add_shortage, evening, make_plan, plan, today, tomorrow

__all__ = ["add_line", "add_shortage", "evening", "make_plan", "plan", "today", "tomorrow"]

# Playwright runs an event loop in the thread of the tests, in which Django would refuse to ask the database.
os.environ.setdefault("DJANGO_ALLOW_ASYNC_UNSAFE", "true")

CHROMIUM = os.environ.get("CHROMIUM_PATH") or shutil.which("chromium") or ""
# No sandbox because Chromium refuses one to root. No name but this machine's is found; the rest keeps Chromium from
# asking its makers for news.
FLAGS = [
    "--no-sandbox",
    "--host-resolver-rules=MAP * ~NOTFOUND, EXCLUDE localhost, EXCLUDE 127.0.0.1",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-dev-shm-usage",
    "--disable-gpu",
    "--disable-quic",
    "--disable-sync",
    "--no-first-run",
]
PHONE = {"width": 390, "height": 844}
DESKTOP = {"width": 1280, "height": 800}
HARMFUL = ("serious", "critical")
OWN_ADDRESSES = ("http://localhost:", "http://127.0.0.1:", "data:", "blob:")


def pytest_collection_modifyitems(items):
    if CHROMIUM:
        return
    here = Path(__file__).parent
    for item in items:
        if here in item.path.parents:
            item.add_marker(pytest.mark.skip(reason="no Chromium here: apt-get install chromium, or set CHROMIUM_PATH"))


@pytest.fixture(scope="session")
def base_url():
    """None: tests name whole addresses. The plugin's own fixture is one that pytest 9 warns of."""


@pytest.fixture(scope="session")
def live_server(django_db_setup, live_server):
    """The site, stopped before its database is dropped: PostgreSQL drops none that somebody has open."""
    return live_server


@pytest.fixture(scope="session")
def browser_type_launch_args(browser_type_launch_args):
    return {**browser_type_launch_args, "executable_path": CHROMIUM, "args": FLAGS, "headless": True}


@pytest.fixture(scope="session")
def browser_context_args(browser_context_args):
    # A few pixels of motion would make a screenshot, and a contrast, a matter of luck.
    return {**browser_context_args, "viewport": PHONE, "locale": "en-GB", "reduced_motion": "reduce"}


@pytest.fixture
def evening_clock():
    """The machine's own clock, which the browser has too."""


@pytest.fixture
def forgiven():
    """Beginnings of console errors that a test brings about on purpose, such as those of a network that it cuts."""
    return []


@pytest.fixture
def page(page, forgiven):
    """A page whose test fails on a script error, a console error, a breach of the content security policy, or a
    request for anything that is not on this machine."""
    problems = []

    def on_console(message):
        if message.type == "error" and not message.text.startswith(tuple(forgiven)):
            problems.append(f"console: {message.text}")

    def on_request(request):
        if not request.url.startswith(OWN_ADDRESSES):
            problems.append(f"request to somebody else: {request.url}")

    page.on("pageerror", lambda error: problems.append(f"script: {error}"))
    page.on("console", on_console)
    page.context.on("request", on_request)
    yield page
    assert not problems, "\n".join(problems)


@pytest.fixture
def axe(page):
    """`axe()` audits the page as it stands and fails on what axe-core calls serious or critical."""
    from axe_playwright_python.sync_playwright import Axe

    def audit():
        found = [v for v in Axe().run(page).response["violations"] if v["impact"] in HARMFUL]
        said = [f"{v['impact']} {v['id']}: {v['help']} {[n['target'] for n in v['nodes']][:3]}" for v in found]
        assert not said, f"{page.url} at {page.viewport_size['width']} px\n" + "\n".join(said)

    return audit


@pytest.fixture
def sign_in(page, live_server, client, settings):
    """`sign_in("clinician")`: give the page the session of a person with that role, who is returned."""

    def as_role(role):
        user = UserFactory(groups=[role])
        client.force_login(user)
        cookie = client.cookies[settings.SESSION_COOKIE_NAME]
        page.context.add_cookies([{"name": cookie.key, "value": cookie.value, "url": live_server.url}])
        return user

    return as_role


@pytest.fixture(scope="session")
def screenshots():
    folder = Path(os.environ.get("EVENFILL_SCREENSHOTS") or tempfile.mkdtemp(prefix="evenfill-screenshots-"))
    folder.mkdir(parents=True, exist_ok=True)
    return folder


@pytest.fixture
def screenshot(page, screenshots, request):
    """`screenshot("logged")`: keep what the page shows, whole, under the test's name."""

    def keep(name):
        width = page.viewport_size["width"]
        page.screenshot(path=screenshots / f"{slugify(request.node.name)}-{slugify(name)}-{width}.png", full_page=True)

    return keep
