"""Labels for bins and for made-up bundles, to print from the browser or as a PDF file."""

from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse
from django.utils import timezone
from django.utils.safestring import mark_safe
from django.utils.translation import gettext as _
from django.views.decorators.http import require_safe

from inventory.labelling import TooLong
from inventory.labels.layout import Page
from inventory.labels.pdf import as_pdf
from inventory.labels.svg import as_svg

from ..current import current_department
from ..forms.labels import LabelForm


@require_safe
def labels(request: HttpRequest) -> HttpResponse:
    """Choose labels and a sheet; the first page is shown as it will be printed."""
    asked = set(request.GET) & {"place", "line", "lot"}
    form = LabelForm(_with_defaults(request) if asked else None, department=current_department(request))
    context = {"form": form, "asked": bool(asked)}
    if asked and form.is_valid():
        try:
            pages = form.pages()
        except TooLong as problem:
            form.add_error(None, str(problem))
        else:
            context |= {"pages": len(pages), "preview": _svg(pages[0]) if pages else "", "query": form.data.urlencode()}
            context["about"] = form.cleaned_data["lot"] or form.cleaned_data["line"]
    return render(request, "labels/choose.html", context)


@require_safe
def print_labels(request: HttpRequest) -> HttpResponse:
    """Every page in its true size, for the browser's own printing."""
    pages = _pages_or_none(request)
    if pages is None:
        return redirect(reverse("labels"))
    return render(request, "labels/print.html", {"pages": [_svg(page) for page in pages], "paper": pages[0]})


@require_safe
def labels_pdf(request: HttpRequest) -> HttpResponse:
    """The same pages as a file."""
    pages = _pages_or_none(request)
    if pages is None:
        return redirect(reverse("labels"))
    file = as_pdf(pages, title=_("Labels"), made_at=timezone.now())
    return HttpResponse(
        file, content_type="application/pdf", headers={"Content-Disposition": 'attachment; filename="labels.pdf"'}
    )


def _with_defaults(request: HttpRequest):
    """What was asked, and the first of each list where a link from another page leaves it open."""
    asked = request.GET.copy()
    form = LabelForm(department=current_department(request))
    for name in ("sheet", "code"):
        asked.setdefault(name, form.fields[name].choices[0][0])
    return asked


def _pages_or_none(request: HttpRequest) -> list[Page] | None:
    form = LabelForm(_with_defaults(request), department=current_department(request))
    if not form.is_valid():
        return None
    try:
        return form.pages() or None
    except TooLong:
        return None


def _svg(page: Page) -> str:
    return mark_safe(as_svg(page, description=_("A sheet of labels")))  # as_svg escapes every word on it
