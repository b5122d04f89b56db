"""The login, its second step, and the way back in for whoever has lost the password."""

from __future__ import annotations

from typing import Any

from django.contrib import messages
from django.contrib.auth.forms import AuthenticationForm
from django.contrib.auth.views import LoginView
from django.core.exceptions import ValidationError
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.utils.translation import gettext as _
from django.views.decorators.cache import never_cache
from django.views.decorators.debug import sensitive_post_parameters
from django.views.decorators.http import require_http_methods

from fleet.doors import passwords, second_factor, signing_in
from fleet.doors.forms import NewPasswordForm
from fleet.refusal import Refused
from fleet.throttle import TooMany, sender_of

READ_AND_SEND = ("GET", "HEAD", "POST")


class Login(LoginView):
    """Django's login, with a step more for those who have a second factor."""

    http_method_names = ["get", "head", "post"]

    def form_valid(self, form: AuthenticationForm) -> HttpResponse:
        """Sign in, or ask for the second factor first."""
        user, now = form.get_user(), timezone.now()
        if second_factor.has_one(user):
            signing_in.let_wait(self.request, user, self.get_success_url(), now)
            return redirect("login_code")
        signing_in.sign_in(self.request, user, now)
        return redirect(self.get_success_url())


@never_cache
@sensitive_post_parameters("code")
@require_http_methods(READ_AND_SEND)
def login_code(request: HttpRequest) -> HttpResponse:
    """Ask for the second factor of whoever has just shown the right password."""
    waits = signing_in.who_waits(request, timezone.now())
    if waits is None:
        return redirect("login")
    user, after = waits
    context: dict[str, Any] = {}
    if request.method == "POST":
        try:
            second_factor.check(user, request.POST.get("code", ""))
        except second_factor.WrongCode as wrong:
            context["wrong"] = wrong
        else:
            signing_in.sign_in(request, user, timezone.now())
            return redirect(after)
    return render(request, "registration/code.html", context, status=422 if context else 200)


@never_cache
@require_http_methods(READ_AND_SEND)
def forgot_password(request: HttpRequest) -> HttpResponse:
    """Send a link to the account of an address, and say the same whether there is one or not."""
    if request.method != "POST":
        return render(request, "registration/forgot.html")
    email = request.POST.get("email", "").replace("\0", "")[:254]
    try:
        passwords.ask(email, sender_of(request), timezone.now())
    except TooMany as refused:
        return render(request, "registration/forgot.html", {"too_many": refused}, status=429)
    said = _("If an account has the address %(email)s, a letter with a link is on its way to it.")
    messages.info(request, said % {"email": email})
    return redirect("login")


@never_cache
@sensitive_post_parameters()
@require_http_methods(READ_AND_SEND)
def reset_password(request: HttpRequest, secret: str) -> HttpResponse:
    """Set a new password by the link of a letter."""
    asked = passwords.opened_by(secret, timezone.now())
    if asked is None:
        raise Http404("no such link")
    form = NewPasswordForm(request.POST if request.method == "POST" else None)
    if form.is_valid():
        try:
            passwords.reset(asked, form.cleaned_data["password"], timezone.now())
        except ValidationError as weak:
            form.add_error("password", weak)
        except Refused:
            raise Http404("no such link") from None
        else:
            messages.info(request, _("The new password is set. Please sign in with it."))
            return redirect("login")
    context = {"form": form, "user_name": asked.user.get_username() if asked.user else ""}
    return render(request, "registration/reset.html", context, status=422 if form.errors else 200)
