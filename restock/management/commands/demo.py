"""manage.py demo: a fictional department in a database of its own, planned for tomorrow, then served."""

import os
import socket
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from textwrap import shorten
from time import perf_counter

from django.conf import settings
from django.core.management import call_command
from django.core.management.base import BaseCommand, CommandError
from django.db import connection
from django.utils import timezone
from tqdm import tqdm

from inventory.importing.loading import amount
from inventory.importing.problems import SheetRefused
from restock.demo.department import NAME, PASSWORD, USERS, Built, build
from restock.models import PlanLine, Shortage

DATABASE = settings.BASE_DIR / "evenfill-demo.sqlite3"
OUT = settings.BASE_DIR / "out"
SHORTAGES_SHOWN = 12
RAISED_SHOWN = 5
LABEL_WIDTH = 44


class Command(BaseCommand):
    help = (
        "Build a fictional department with invented data in a database file of its own, plan tomorrow, write the "
        "pick list, and serve the site. Every run starts afresh and replaces the demo of the run before; your "
        "department's own database is never opened."
    )
    requires_migrations_checks = False

    def add_arguments(self, parser):
        parser.add_argument("--no-serve", action="store_true", help="Stop before the site is served.")
        parser.add_argument("--days", type=int, default=90, help="Days of invented past, 90 if left out.")
        parser.add_argument("--seed", type=int, default=2026, help="Another number invents another past.")
        parser.add_argument("--port", type=int, default=8000, help="Port of the site, 8000 if left out.")
        parser.add_argument("--database", type=Path, default=DATABASE, help="File of the demo's database.")
        parser.add_argument("--out", type=Path, default=OUT, help="Folder for the pick list and the case list.")

    def handle(self, *, no_serve, days, seed, port, database, out, **options):
        if days < 2:
            raise CommandError("The demo needs at least 2 days of past: --days 90.")
        if not no_serve:
            _refuse_taken(port)
        started = perf_counter()
        self.stdout.write(f"{NAME}. Nothing here is about a real patient, hospital or maker.")
        self._start_afresh(database)
        with without_query_log():
            call_command("migrate", verbosity=0)
            try:
                built = build(days=days, seed=seed, now=timezone.now(), out=out, watch=self._watch)
            except SheetRefused as refusal:
                raise CommandError(f"The fictional department's files cannot be loaded:\n{refusal}") from refusal
        self._report(built, database, perf_counter() - started)
        if not no_serve:
            self.stdout.write(f"\nThe site: http://127.0.0.1:{port}/  (stop with Ctrl-C)")
            call_command("runserver", f"127.0.0.1:{port}", use_reloader=False)

    def _start_afresh(self, database: Path) -> None:
        """Point the connection at an empty demo file. A department's own file has another name and is left alone."""
        if os.environ.get("DATABASE_URL"):
            raise CommandError(
                "DATABASE_URL names a database, and the demo keeps out of it: it has a file of its own. "
                "Start it again without that variable: env -u DATABASE_URL ..."
            )
        if "demo" not in database.name:
            raise CommandError(f"{database.name} is replaced at every run, so its name has to contain the word demo.")
        replaced = database.exists()
        connection.close()
        for suffix in ("", "-wal", "-shm", "-journal"):
            database.with_name(database.name + suffix).unlink(missing_ok=True)
        # Every later connection, those of the site's threads too, is made from this same dictionary.
        connection.settings_dict["NAME"] = str(database)
        self.stdout.write(f"Database: {database.name} ({'replaced' if replaced else 'new'})")

    @contextmanager
    def _watch(self, stage: str, steps: int | None) -> Iterator:
        with tqdm(total=steps, desc=stage, disable=None, leave=False) as bar:
            started = perf_counter()
            yield bar.update
        self.stdout.write(f"  {perf_counter() - started:5.1f} s  {stage}")

    def _report(self, built: Built, database: Path, seconds: float) -> None:
        plan = built.plan
        shortages = list(
            Shortage.objects.filter(plan_line__plan=plan).select_related(
                "plan_line__place", "plan_line__consumable__size_run"
            )
        )
        self.stdout.write(
            f"Done in {seconds:.0f} s: {built.past_cases} invented cases, {built.use_rows} rows of use. Planned for "
            f"{plan.for_date}: {plan.inputs['listed_cases']} listed cases, {plan.lines.count()} cart lines."
        )
        self.stdout.write("")
        self._report_raised(plan)
        self.stdout.write(
            f"\n{amount(len(shortages), 'line')} may run short tomorrow. First where running short does most harm:"
        )
        for shortage in shortages[:SHORTAGES_SHOWN]:
            line = shortage.plan_line
            label = shorten(line.consumable.label, LABEL_WIDTH, placeholder=" …")
            self.stdout.write(
                f"  {line.place.code[:19]:19} {line.consumable.code:5} {label:{LABEL_WIDTH}} "
                f"{shortage.short_by:3} short: {shortage.get_cause_display()}"
            )
        if len(shortages) > SHORTAGES_SHOWN:
            self.stdout.write(
                f"  ... and {len(shortages) - SHORTAGES_SHOWN} more: the site and the pick list have all."
            )
        if shortages:
            self.stdout.write(f"  Why the first: {shortages[0].why}")
        self.stdout.write(
            f"\nPick list: {_shown(built.workbook)}\nCase list: {_shown(built.case_list)}\n"
            f"Sign in as {', '.join(USERS)}; the password of each is {PASSWORD}"
        )

    def _report_raised(self, plan) -> None:
        """Where tomorrow's list asks for more than par: what a flat par would have missed."""
        raised = [line for line in _longest_list(plan) if line.target > line.par]
        if not raised:
            return
        self.stdout.write(f"Tomorrow asks for more than par, for example on {raised[0].place.name}:")
        for line in sorted(raised, key=lambda line: line.par - line.q_service)[:RAISED_SHOWN]:
            self.stdout.write(f"  {line.consumable.label}: {line.reason}")


def _refuse_taken(port: int) -> None:
    """Raise CommandError where the site could not be served later, before minutes are spent on the demo."""
    with socket.socket() as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind(("127.0.0.1", port))
        except (OSError, OverflowError):
            raise CommandError(
                f"Port {port} cannot be had: another program serves there, or it is not allowed. "
                f"Take another one, such as --port {8001 if port == 8000 else 8000}."
            ) from None


def _longest_list(plan) -> list[PlanLine]:
    """Lines of the cart with most lines above par."""
    by_place: dict[int, list[PlanLine]] = {}
    for line in plan.lines.select_related("place", "consumable"):
        by_place.setdefault(line.place_id, []).append(line)
    return max(by_place.values(), key=lambda lines: sum(line.target > line.par for line in lines), default=[])


def _shown(path: Path) -> Path:
    return path.relative_to(Path.cwd()) if path.is_relative_to(Path.cwd()) else path


@contextmanager
def without_query_log() -> Iterator[None]:
    """Under DEBUG Django keeps the text of every query, which for a quarter of a million rows takes minutes."""
    debug, settings.DEBUG = settings.DEBUG, False
    try:
        yield
    finally:
        settings.DEBUG = debug
