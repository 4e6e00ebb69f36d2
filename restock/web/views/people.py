"""The people of the department: who is here, in which role, and a first password. No admin site is needed for it."""

from __future__ import annotations

from django import forms
from django.contrib import messages
from django.core.exceptions import ValidationError
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.utils.translation import gettext as _
from django.views.decorators.cache import never_cache
from django.views.decorators.debug import sensitive_post_parameters
from django.views.decorators.http import require_http_methods, require_POST, require_safe

from restock.setting_up import people
from restock.setting_up.setup_history import history

from ..current import current_department
from ..forms.people import NewPersonForm, PasswordForm, PersonForm


@require_safe
def list_people(request: HttpRequest) -> HttpResponse:
    """Everybody of the department with their roles, those who left at the end."""
    everybody = (
        people.people_of(current_department(request)).prefetch_related("groups").order_by("-is_active", "username")
    )
    return render(request, "people/list.html", {"people": [(one, people.roles_of(one)) for one in everybody]})


@sensitive_post_parameters("password")
@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
def add_person(request: HttpRequest) -> HttpResponse:
    """Make a user with a role and a first password."""
    form = NewPersonForm(request.POST or None)
    if request.method == "POST" and form.is_valid():
        try:
            user = people.add_person(
                current_department(request), **form.cleaned_data, by=request.user, at=timezone.now()
            )
        except ValidationError as problem:
            _take(form, problem)
        else:
            messages.success(request, _("%(name)s can sign in now.") % {"name": user.get_username()})
            return redirect("people")
    return render(request, "people/add.html", {"form": form}, status=400 if form.errors else 200)


@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
def person(request: HttpRequest, person_id: int) -> HttpResponse:
    """One person: roles, whether they sign in, and who changed that when."""
    user = _person(request, person_id)
    form = PersonForm(request.POST or None, initial={"roles": people.roles_of(user), "is_active": user.is_active})
    if request.method == "POST" and form.is_valid():
        try:
            people.change_person(
                current_department(request), user, **form.cleaned_data, by=request.user, at=timezone.now()
            )
        except ValidationError as problem:
            _take(form, problem)
        else:
            messages.success(request, _("Saved: %(name)s.") % {"name": user.get_username()})
            return redirect("people")
    return _show(request, user, form, PasswordForm())


@sensitive_post_parameters("password")
@never_cache
@require_POST
def give_password(request: HttpRequest, person_id: int) -> HttpResponse:
    """Set a password for who has none or lost theirs."""
    user = _person(request, person_id)
    form = PasswordForm(request.POST)
    if form.is_valid():
        try:
            people.give_password(
                current_department(request), user, **form.cleaned_data, by=request.user, at=timezone.now()
            )
        except ValidationError as problem:
            _take(form, problem)
        else:
            messages.success(request, _("%(name)s has a new password.") % {"name": user.get_username()})
            return redirect("people")
    roles = PersonForm(initial={"roles": people.roles_of(user), "is_active": user.is_active})
    return _show(request, user, roles, form)


def _show(request: HttpRequest, user, form: PersonForm, password_form: PasswordForm) -> HttpResponse:
    department = current_department(request)
    words = {"roles": _("Roles"), "signs in": _("Signs in"), "password": _("Password")}
    steps = [
        (step, [(words.get(name, name), was or "-", now or "-") for name, was, now in step.changes])
        for step in history(department, people.PAGE, user.pk, people.as_shown(user))
    ]
    context = {"person": user, "form": form, "password_form": password_form, "steps": steps}
    return render(request, "people/person.html", context, status=400 if form.errors or password_form.errors else 200)


def _person(request: HttpRequest, person_id: int):
    return get_object_or_404(people.people_of(current_department(request)), pk=person_id)


def _take(form: forms.Form, problem: ValidationError) -> None:
    """The words of a refusal, at the field where it has one."""
    told = problem.message_dict if hasattr(problem, "error_dict") else {None: problem.messages}
    for name, words in told.items():
        form.add_error(name if name in form.fields else None, words)
