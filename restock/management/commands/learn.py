"""manage.py learn [--rebuild] [--refit]: what was logged since the last time becomes part of the next forecast."""

from django.utils import timezone

from restock.learning.fits import read_fitted
from restock.learning.fitting import REFIT_DAYS, learn
from restock.management.base import DepartmentCommand


class Command(DepartmentCommand):
    help = (
        "Bring the tallies of the log forward, for every night. Once in a while search anew for how much each source "
        "counts, which lines have a day effect, and how completely each line is logged."
    )

    def add_arguments(self, parser):
        super().add_arguments(parser)
        parser.add_argument("--rebuild", action="store_true", help="Count the whole log again.")
        parser.add_argument(
            "--refit",
            action="store_true",
            help=f"Search anew now, not only when the last time is {REFIT_DAYS} days ago.",
        )

    def handle(self, *, department, rebuild, refit, **options):
        department = self.department(department)
        learning, fit = learn(department=department, at=timezone.now(), rebuild=rebuild, refit_now=refit)
        self.stdout.write(f"{learning.records} usage records are in the tallies.")
        self.stdout.write(f"Fitted {department.local_date(fit.fitted_at)} from {fit.records} records, {fit.method}.")
        effects = fit.day_effects.count()
        if fit.evenings:
            self.stdout.write(
                f"Day effect: {effects} lines, from {fit.evenings} evenings, {fit.first_day} to {fit.last_day}."
            )
        else:
            self.stdout.write("Day effect: too few evenings are logged to look for one.")
        captured = read_fitted(department).captured.values()
        incomplete = sum(found.kappa < 1.0 for found in captured)
        self.stdout.write(
            f"Capture: {len(captured)} lines were counted twice or more; {incomplete} logs are put right."
        )
