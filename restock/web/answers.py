"""One answer for two callers: a form that a browser posted, and an entry that a device kept and sends now."""

from django.contrib import messages
from django.core.exceptions import ValidationError
from django.http import HttpRequest, HttpResponse, JsonResponse
from django.shortcuts import redirect

CONFLICT = 409


def from_device(request: HttpRequest) -> bool:
    """Whether our own script sent this and reads the answer."""
    return request.headers.get("Accept") == "application/json"


def done(request: HttpRequest, words: str, next_page: str) -> HttpResponse:
    """It was recorded; go on at `next_page`."""
    if from_device(request):
        return JsonResponse({"said": words, "next": next_page})
    if words:
        messages.success(request, words)
    return redirect(next_page)


def refused(request: HttpRequest, problem: Exception, back: str) -> HttpResponse:
    """It was not recorded, and the same again will not be either; the words of `problem` say why."""
    words = " ".join(problem.messages) if isinstance(problem, ValidationError) else str(problem)
    if from_device(request):
        return JsonResponse({"said": words, "next": back}, status=CONFLICT)
    messages.error(request, words)
    return redirect(back)
