"""Is the forecast right on the department's own log, and how complete is that log?"""

from django.db.models import F
from django.db.models.functions import Abs
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.utils.translation import gettext as _
from django.views.decorators.http import require_POST, require_safe

from inventory.models import Section
from restock import jobs
from restock.backtesting.judging import levels_of, tenths_of
from restock.learning.fits import Captured, captured_by_section
from restock.models import Calibration, CaptureRate, Judgement, LineDrift, WorkRequest

from ..ages import age_words
from ..current import current_department
from ..share_charts import tenths_chart, tenths_words
from .working import work_state

ROWS = 15


@require_safe
def accuracy(request: HttpRequest) -> HttpResponse:
    """What the newest backtest and the newest refit found."""
    department = current_department(request)
    judgement = Judgement.objects.filter(department=department).first()
    sections = captured_by_section(department)
    tenths = tenths_of(judgement) if judgement else []
    rates = CaptureRate.objects.filter(fit__department=department, gone__gt=0).select_related("consumable")
    context = {
        "judgement": judgement,
        "age": judgement and age_words(timezone.now() - judgement.judged_at),
        "levels": levels_of(judgement) if judgement else [],
        "tenths": tenths,
        "tenths_chart": tenths and tenths_chart(tenths),
        "tenths_words": tenths and tenths_words(tenths),
        "kinds": Calibration.objects.filter(department=department).order_by("passed", "gap_95", "kind"),
        "rules": _by_rule(judgement),
        "drifts": _drifts(judgement) if judgement else [],
        "logged": _logged(sections),
        "rates": rates.order_by("mean", "consumable__code")[:ROWS],
        "work": work_state(department, WorkRequest.Kind.ACCURACY),
        "judged_days": jobs.JUDGED_DAYS,
    }
    return render(request, "advice/accuracy.html", context)


@require_POST
def work_out_accuracy(request: HttpRequest) -> HttpResponse:
    """Have the last days judged, for everybody to read."""
    kind = WorkRequest.Kind.ACCURACY
    jobs.ask(department=current_department(request), kind=kind, by=request.user, at=timezone.now())
    return redirect("accuracy")


def _logged(sections: dict[int, Captured]) -> list[dict]:
    """The whole first, then each section."""
    if not sections:
        return []
    rows = [(_("All sections"), sum(sections.values(), Captured()))]
    rows += [(Section(section).label, found) for section, found in sections.items()]
    return [{"name": name, "found": found, "rate": found.rate} for name, found in rows]


def _by_rule(judgement: Judgement | None) -> list[dict]:
    """The scores against each rule: of the whole distribution, and at 95 days of 100."""
    rows: dict[str, dict] = {}
    if judgement is not None:
        columns = {"CRPS": "whole", "pinball 0.95": "at_95"}
        for score in judgement.rules.filter(score__in=columns):
            rows.setdefault(score.rule, {"name": score.rule})[columns[score.score]] = score
    return list(rows.values())


def _drifts(judgement: Judgement) -> list[LineDrift]:
    """Those that differ by most pieces a day."""
    by_size = judgement.drifts.select_related("consumable").order_by(
        Abs(F("used_per_day") - F("forecast_per_day")).desc(), "pk"
    )
    return list(by_size[:ROWS])
