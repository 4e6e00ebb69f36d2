"""Set-up without the admin site: every page of `setup_pages` by one list and one form."""

from __future__ import annotations

from collections.abc import Sequence

from django.contrib import messages
from django.db import transaction
from django.db.models import Model, ProtectedError
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils import timezone
from django.utils.translation import gettext as _
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from inventory.models import Department
from restock.setting_up.setup_history import history, keep_change

from ..current import current_department
from ..forms.setup import form_for
from ..keys import key_in
from ..paging import page_of
from ..setup_changes import as_stored, steps_as_read
from ..setup_pages import GROUPS, PAGES, SetupPage
from ..word_search import with_words


@require_safe
def setup(request: HttpRequest) -> HttpResponse:
    """Everything that can be set up, in the order in which a new department needs it."""
    return render(request, "setup/index.html", {"groups": GROUPS})


@require_safe
def setup_list(request: HttpRequest, slug: str) -> HttpResponse:
    """The rows of one page; for a page with a single row, its form."""
    page = _page(slug)
    if page.single:
        return redirect("setup-row", slug=slug, row_id=0)
    department = current_department(request)
    owner = _owner(page, department, request)
    rows = page.rows(department)
    if owner:
        rows = rows.filter(**owner)
    words = request.GET.get("words", "").strip()
    shown = page_of(request, with_words(rows, words, *page.search) if page.search else rows)
    shows = [name for name in page.shows if name not in owner]
    context = {
        "page": page,
        "labels": [page.label(name) for name in shows],
        "rows": [(row, _cells(row, page, shows), [_lead(row, lead) for lead in page.leads]) for row in shown],
        "shown": shown,
        "words": words,
        "owner": next(iter(owner.values()), None),
        "query": _query(owner),
    }
    return render(request, "setup/list.html", context)


@require_http_methods(["GET", "HEAD", "POST"])
def setup_row(request: HttpRequest, slug: str, row_id: int) -> HttpResponse:
    """Change one row; row 0 is a new one, or the only one of a page that has one."""
    page, department = _page(slug), current_department(request)
    owner = _owner(page, department, request)
    row = None
    if page.single:
        row = page.rows(department).first()
    elif row_id:
        row = get_object_or_404(page.rows(department), pk=row_id)
    before = as_stored(row, page.fields) if row else {}
    form = form_for(page)(request.POST or None, instance=row, initial=owner, department=department)
    if request.method == "POST" and form.is_valid():
        with transaction.atomic():
            saved = form.save()
            _keep(request, page, saved, before=before, after=as_stored(saved, page.fields))
        words = {"one": page.one, "name": saved}
        messages.success(request, _("Saved: %(one)s %(name)s.") % words)
        if "another" in request.POST:
            return redirect(reverse("setup-row", args=[slug, 0]) + _query(owner))
        return redirect("setup" if page.single else reverse("setup-list", args=[slug]) + _query(owner))
    context = {"page": page, "form": form, "row": row, "query": _query(owner), "steps": []}
    if row:
        context["steps"] = steps_as_read(history(department, page.slug, row.pk, before), page)
    return render(request, "setup/row.html", context, status=400 if form.errors else 200)


@require_POST
def setup_remove(request: HttpRequest, slug: str, row_id: int) -> HttpResponse:
    """Remove a row that nothing stands on yet."""
    page, department = _page(slug), current_department(request)
    row = get_object_or_404(page.rows(department), pk=row_id)
    name = str(row)
    try:
        with transaction.atomic():
            _keep(request, page, row, before=as_stored(row, page.fields), after={})
            row.delete()
    except ProtectedError as error:
        what = sorted({str(other._meta.verbose_name_plural) for other in error.protected_objects})
        words = {"name": name, "what": ", ".join(what)}
        messages.error(request, _("%(name)s stays: there are %(what)s that name it. Change those first.") % words)
        return redirect("setup-row", slug=slug, row_id=row_id)
    messages.success(request, _("Removed: %(one)s %(name)s.") % {"one": page.one, "name": name})
    return redirect("setup-list", slug=slug)


def _keep(request: HttpRequest, page: SetupPage, row: Model, *, before: dict, after: dict) -> None:
    keep_change(
        department=current_department(request), page=page.slug, row=row.pk, title=str(row),
        before=before, after=after, by=request.user, at=timezone.now(),
    )  # fmt: skip


def _page(slug: str) -> SetupPage:
    try:
        return PAGES[slug]
    except KeyError:
        raise Http404 from None


def _owner(page: SetupPage, department: Department, request: HttpRequest) -> dict:
    """The foreign key that the address narrows the page to, such as {"case_type": <CaseType>}; else nothing."""
    for name in page.within:
        key = request.GET.get(name, "")
        if key:
            model = page.model._meta.get_field(name).related_model
            return {name: get_object_or_404(model, pk=key_in(key), department=department)}
    return {}


def _query(owner: dict) -> str:
    return "".join(f"?{name}={row.pk}" for name, row in owner.items())


def _cells(row, page: SetupPage, shows: Sequence[str]) -> list[tuple[str, object, bool]]:
    """(label, what to show, whether it is a number) for every cell of a row."""
    cells = []
    for name in shows:
        field = row._meta.get_field(name)
        value = getattr(row, f"get_{name}_display")() if field.choices else getattr(row, name)
        number = isinstance(value, int | float) and not isinstance(value, bool)
        if isinstance(value, bool):
            value = _("yes") if value else ""
        elif isinstance(value, float):
            value = f"{value:g}"
        cells.append((page.label(name), "" if value is None else value, number))
    if not cells[0][1]:  # the link needs words: those of what stands there instead, such as a size run for a line
        cells[0] = (cells[0][0], next((value for _label, value, _number in cells if value), row), False)
    return cells


def _lead(row, lead: tuple[str, str, str]) -> tuple[str, str]:
    words, slug, name = lead
    return words, f"{reverse('setup-list', args=[slug])}?{name}={row.pk}"
