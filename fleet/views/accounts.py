"""A user's own pages: name and address, password, second factor, and the sessions that are signed in."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from django import forms
from django.contrib import messages
from django.contrib.auth import authenticate, update_session_auth_hash
from django.contrib.auth.decorators import login_required
from django.core.exceptions import ValidationError
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.utils.translation import gettext as _
from django.utils.translation import ngettext
from django.views.decorators.cache import never_cache
from django.views.decorators.debug import sensitive_post_parameters
from django.views.decorators.http import require_http_methods

from fleet.doors import accounts, passwords, second_factor, sign_ins
from fleet.doors.forms import AccountForm, ChangePasswordForm
from fleet.refusal import Refused

View = Callable[..., HttpResponse]


def own_page(*methods: str) -> Callable[[View], View]:
    """Let whoever is signed in to what is theirs, and keep it out of every cache."""

    def decorate(view: View) -> View:
        allowed = [*methods, "HEAD"] if "GET" in methods else list(methods)
        hidden = sensitive_post_parameters()(view)
        return never_cache(login_required(require_http_methods(allowed)(hidden)))

    return decorate


def _knows_password(request: HttpRequest, form: forms.Form) -> bool:
    """Check the old password by the login's own way, so that its lock counts what is tried here too."""
    known = authenticate(request, username=request.user.get_username(), password=form.cleaned_data["old"])
    if known is None or known.pk != request.user.pk:
        form.add_error("old", _("That is not the password until now."))
        return False
    return True


@own_page("GET", "POST")
def account(request: HttpRequest) -> HttpResponse:
    """Show and change a user's name and address; show what guards the account and where it is signed in."""
    user: Any = request.user
    initial = {"full_name": user.get_full_name(), "email": user.email}
    form = AccountForm(request.POST if request.method == "POST" else None, initial=initial)
    if form.is_valid() and _knows_password(request, form):
        accounts.describe(user, form.cleaned_data["full_name"], form.cleaned_data["email"])
        messages.info(request, _("Name and address are kept."))
        return redirect("account")
    now = timezone.now()
    own = request.session.session_key
    context = {
        "form": form,
        "factor": second_factor.has_one(user),
        "spare": second_factor.spare_codes_left(user),
        "sessions": [
            {"row": row, "mark": sign_ins.mark_of(row), "own": row.session_key == own}
            for row in sign_ins.sessions_of(user, now)
        ],
    }
    return render(request, "doors/account.html", context, status=422 if form.errors else 200)


@own_page("GET", "POST")
def account_password(request: HttpRequest) -> HttpResponse:
    """Change the password of a user who knows it."""
    user: Any = request.user
    form = ChangePasswordForm(request.POST if request.method == "POST" else None)
    if form.is_valid() and _knows_password(request, form):
        try:
            passwords.change(user, form.cleaned_data["password"], request.session.session_key)
        except ValidationError as weak:
            form.add_error("password", weak)
        else:
            update_session_auth_hash(request, user)
            messages.info(request, _("The password is changed; other sessions were ended."))
            return redirect("account")
    return render(request, "doors/password.html", {"form": form}, status=422 if form.errors else 200)


@own_page("POST")
def end_sessions(request: HttpRequest) -> HttpResponse:
    """End one session of the user's, or all but the one this is asked in."""
    own, mark = request.session.session_key, request.POST.get("session", "")
    if mark:
        sign_ins.end_one(request.user, mark, own)
        messages.info(request, _("That session is ended."))
    else:
        count = sign_ins.end_others(request.user, own)
        said = ngettext("%(count)d other session is ended.", "%(count)d other sessions are ended.", count)
        messages.info(request, said % {"count": count})
    return redirect("account")


class _Confirmed(forms.Form):
    """The password, before anything is changed about the second factor."""

    old = AccountForm.base_fields["old"]


@own_page("GET", "POST")
def account_factor(request: HttpRequest) -> HttpResponse:
    """Set a second factor up, make new spare codes, or take it off; each step is confirmed."""
    steps = {"begin": _begin, "leave": _leave, "confirm": _confirm, "codes": _codes, "off": _off}
    context: dict[str, Any] = {}
    if request.method == "POST":
        context = steps.get(request.POST.get("step", ""), _nothing)(request)
        if context.pop("done", False):
            return redirect("account_factor")
    user: Any = request.user
    device = second_factor.waiting_device(user)
    context |= {
        "factor": second_factor.has_one(user),
        "spare": second_factor.spare_codes_left(user),
        "device": device,
        "drawing": second_factor.drawing(device) if device else "",
        "secret": second_factor.secret_in_groups(device) if device else "",
    }
    return render(request, "doors/factor.html", context, status=422 if "trouble" in context else 200)


def _nothing(request: HttpRequest) -> dict[str, Any]:
    return {"trouble": _("That is no step of this page.")}


def _begin(request: HttpRequest) -> dict[str, Any]:
    form = _Confirmed(request.POST)
    if not form.is_valid() or not _knows_password(request, form):
        return {"trouble": _("That is not the password.")}
    try:
        second_factor.begin(request.user)
    except Refused as refused:
        return {"trouble": str(refused)}
    return {"done": True}


def _leave(request: HttpRequest) -> dict[str, Any]:
    second_factor.leave(request.user)
    return {"done": True}


def _confirm(request: HttpRequest) -> dict[str, Any]:
    try:
        codes = accounts.set_second_factor(
            request.user, request.POST.get("code", ""), request.session.session_key
        )
    except Refused as refused:
        return {"trouble": str(refused), "wait": getattr(refused, "seconds", 0)}
    return {"codes": codes, "new": True}


def _codes(request: HttpRequest) -> dict[str, Any]:
    try:
        second_factor.check(request.user, request.POST.get("code", ""))
    except second_factor.WrongCode as wrong:
        return {"trouble": str(wrong), "wait": wrong.seconds}
    return {"codes": second_factor.new_spare_codes(request.user)}


def _off(request: HttpRequest) -> dict[str, Any]:
    try:
        second_factor.check(request.user, request.POST.get("code", ""))
    except second_factor.WrongCode as wrong:
        return {"trouble": str(wrong), "wait": wrong.seconds}
    accounts.take_off_second_factor(request.user)
    messages.info(request, _("The second factor is off; the password alone opens the login."))
    return {"done": True}
