"""Signing in, coming back to a shared workstation, and one's own account."""

from __future__ import annotations

from contextlib import suppress

from axes.handlers.proxy import AxesProxyHandler
from django.contrib import messages
from django.contrib.auth import authenticate, login
from django.contrib.auth.signals import user_login_failed
from django.contrib.auth.views import LoginView, PasswordChangeView
from django.core.exceptions import PermissionDenied, ValidationError
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.urls import reverse_lazy
from django.utils.translation import gettext as _
from django.views.decorators.cache import never_cache
from django.views.decorators.debug import sensitive_post_parameters
from django.views.decorators.http import require_http_methods

from restock.models import QuickSignIn
from restock.setting_up import quick_sign_in

from .. import workstations
from ..contents.slots_of_day import OwnTotals, own_totals
from ..current import current_department, today
from ..forms.account import CodesForm, ComeBackForm, SignInForm

BACKEND = "django.contrib.auth.backends.ModelBackend"
# Badges belong to nobody until they are known, so wrong ones are counted for the workstation under this name.
BADGES = {"username": "badges at a workstation"}


class SignIn(LoginView):
    """The full sign-in, with name and password."""

    form_class = SignInForm
    redirect_authenticated_user = True

    def get_initial(self) -> dict:
        return super().get_initial() | {"shared": workstations.COOKIE in self.request.COOKIES}

    def get_context_data(self, **kwargs) -> dict:
        return super().get_context_data(people=workstations.people_of(self.request), **kwargs)

    def form_valid(self, form: SignInForm) -> HttpResponse:
        response = super().form_valid(form)
        user = form.get_user()
        quick_sign_in.forgive(user)
        if form.cleaned_data["shared"]:
            workstations.share(self.request)
            workstations.remember_person(self.request, response, user)
        return response


class ChangePassword(PasswordChangeView):
    """One's own password, by who knows the old one."""

    template_name = "account/password.html"
    success_url = reverse_lazy("account")

    def form_valid(self, form) -> HttpResponse:
        messages.success(self.request, _("Your password is changed."))
        return super().form_valid(form)

    def form_invalid(self, form) -> HttpResponse:
        return self.render_to_response(self.get_context_data(form=form), status=400)


@sensitive_post_parameters("code")
@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
def come_back(request: HttpRequest) -> HttpResponse:
    """Change the person at a shared workstation by PIN or badge, after a full sign-in there that day."""
    people = workstations.people_of(request)
    form = ComeBackForm(request.POST or None, people=people)
    if request.method == "POST" and people and form.is_valid():
        if not AxesProxyHandler.is_allowed(request, BADGES):
            form.add_error("code", _("Too many codes in a row that nobody has. Sign in with name and password."))
        else:
            try:
                user = quick_sign_in.match(form.cleaned_data["code"], among=people, person=form.chosen)
            except quick_sign_in.WrongCode as wrong:
                if not wrong.counted:
                    user_login_failed.send(sender=__name__, credentials=BADGES, request=request)
                form.add_error(
                    "code",
                    _("This code opens nothing here. Choose your name and type your PIN again, or sign in with your "
                      "password: after 5 wrong PINs only that helps."),
                )  # fmt: skip
            else:
                login(request, user, backend=BACKEND)
                workstations.share(request)
                return redirect("home")
    context = {"form": form, "people": people}
    return render(request, "account/come_back.html", context, status=400 if form.errors else 200)


@sensitive_post_parameters("password", "pin", "badge")
@never_cache
@require_http_methods(["GET", "HEAD", "POST"])
def account(request: HttpRequest) -> HttpResponse:
    """Who I am here, and the PIN and badge with which I come back. The password proves that it is me."""
    form = CodesForm(request.POST or None)
    if request.method == "POST" and form.is_valid():
        told = form.cleaned_data
        name = request.user.get_username()
        if authenticate(request, username=name, password=told["password"]) is None:
            form.add_error("password", _("This is not your password."))
        else:
            try:
                quick_sign_in.set_codes(request.user, pin=told["new_pin"], badge=told["new_badge"])
            except ValidationError as error:
                form.take(error)
            else:
                messages.success(request, _("Saved. It opens a shared workstation on which you signed in that day."))
                return redirect("account")
    context = {
        "form": form,
        "codes": QuickSignIn.objects.filter(user=request.user).first(),
        "roles": [_(group.name) for group in request.user.groups.order_by("name")],
        "shared": workstations.is_shared(request),
        "months_log": _months_log(request),
    }
    return render(request, "account/account.html", context, status=400 if form.errors else 200)


def _months_log(request: HttpRequest) -> OwnTotals | None:
    """One's own totals since the first of the month; nobody else's stand beside them. None without a department."""
    with suppress(PermissionDenied):
        return own_totals(request.user, current_department(request), since=today(request).replace(day=1))
    return None
