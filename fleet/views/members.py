"""Who belongs to a site: the list for its administrators, the way in by invitation, and turning to a site."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.core.exceptions import ValidationError
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import Resolver404, resolve
from django.utils import timezone
from django.utils.translation import gettext as _
from django.views.decorators.cache import never_cache
from django.views.decorators.debug import sensitive_post_parameters
from django.views.decorators.http import require_http_methods, require_POST

from fleet.access import row_number
from fleet.doors import invitations, members, second_factor, signing_in
from fleet.doors.forms import JoinForm
from fleet.middleware import SESSION_KEY
from fleet.models import Invitation, Membership, Role, Site
from fleet.refusal import Refused
from fleet.signals import what_became_of_letters
from fleet.views.door import administrator_page, site_of


@login_required
@require_POST
def choose_site(request: HttpRequest) -> HttpResponse:
    """Turn to another of the user's sites, there to the page that was being read where it has one."""
    number = row_number(request.POST.get("site", ""))
    site = get_object_or_404(Site.objects.for_user(request.user), pk=number)
    request.session[SESSION_KEY] = site.pk
    Membership.objects.filter(user=request.user, site=site).update(chosen_at=timezone.now())  # type: ignore[misc]
    return redirect(_same_page(request.POST.get("page", "")))


def _same_page(path: str) -> str:
    """Return the path where it names no thing of a site, so that every site has it; else the first page."""
    try:
        found = resolve(path)
    except Resolver404:
        return "this_week"
    return "this_week" if found.kwargs or found.args or found.app_names else path


@administrator_page("GET")
def member_list(request: HttpRequest) -> HttpResponse:
    """Show who belongs to the site as what, and who is invited."""
    return render(request, "doors/members.html", _members(request))


def _members(request: HttpRequest) -> dict[str, Any]:
    site, now = site_of(request), timezone.now()
    rows = Membership.objects.of_site(site).select_related("user").order_by("user__username")
    guarded = second_factor.who_has_one(rows.values("user"))
    here = invitations.open_invitations(now)
    waiting = list(Invitation.objects.of_site(site).filter(here))
    letters = what_became_of_letters("invitation", [str(one.pk) for one in waiting])
    return {
        "members": [{"row": row, "factor": row.user_id in guarded} for row in rows],
        "invitations": [{"row": one, "letter": letters.get(str(one.pk))} for one in waiting],
        "past": Invitation.objects.of_site(site).exclude(here).select_related("used_by")[:20],
        "roles": Role.choices,
        "now": now,
        "alone": sum(row.role == Role.ADMINISTRATOR for row in rows) == 1,
    }


@administrator_page("POST")
def invite(request: HttpRequest) -> HttpResponse:
    """Invite an address to the site."""
    email, role = request.POST.get("email", ""), request.POST.get("role", "")
    try:
        made = invitations.invite(site_of(request), email, role, request.user, timezone.now())
    except Refused as refused:
        context = {**_members(request), "trouble": refused, "email": email, "role": role}
        return render(request, "doors/members.html", context, status=422)
    messages.info(request, _("A letter with a link goes to %(email)s.") % {"email": made.email})
    return redirect("members")


@administrator_page("POST")
def revoke_invitation(request: HttpRequest, pk: int) -> HttpResponse:
    """Let an invitation open nothing any more."""
    one = get_object_or_404(Invitation.objects.of_site(site_of(request)), pk=pk)
    if invitations.revoke(one, timezone.now()):
        messages.info(
            request, _("The invitation of %(email)s opens nothing any more.") % {"email": one.email}
        )
    return redirect("members")


@administrator_page("POST")
def change_member(request: HttpRequest, pk: int) -> HttpResponse:
    """Give a member another role."""
    one = _member(request, pk)
    role = request.POST.get("role", "")
    return _done(request, lambda: members.change_role(one, role), _("The role of %(name)s is changed."), one)


@administrator_page("POST")
def end_member(request: HttpRequest, pk: int) -> HttpResponse:
    """End a membership; whoever ends their own is shown another of their sites, or none."""
    one = _member(request, pk)
    said = _("%(name)s belongs to this site no longer.")
    answer = _done(request, lambda: members.end(one, timezone.now()), said, one)
    return redirect("this_week") if one.user_id == request.user.pk else answer


@administrator_page("POST")
def take_off_factor(request: HttpRequest, pk: int) -> HttpResponse:
    """Let a member who lost the second factor sign in without it."""
    one = _member(request, pk)
    said = _("%(name)s signs in with the password alone, until another second factor is set up.")
    return _done(request, lambda: members.take_off_second_factor(one, request.user), said, one)


def _member(request: HttpRequest, pk: int) -> Membership:
    rows = Membership.objects.of_site(site_of(request)).select_related("user", "site")
    return get_object_or_404(rows, pk=pk)


def _done(request: HttpRequest, act: Callable[[], None], said: str, one: Membership) -> HttpResponse:
    try:
        act()
    except Refused as refused:
        messages.error(request, str(refused))
    else:
        messages.info(request, said % {"name": one.user.get_username()})
    return redirect("members")


@never_cache
@sensitive_post_parameters()
@require_http_methods(["GET", "HEAD", "POST"])
def join(request: HttpRequest, secret: str) -> HttpResponse:
    """Join a site by the link of an invitation, with the account one is signed in to or with a new one."""
    invitation = invitations.opened_by(secret, timezone.now())
    if invitation is None:
        raise Http404("no such link")
    try:
        act = _join if request.user.is_authenticated else _join_as_new
        return act(request, invitation)
    except Refused as refused:
        if invitations.opened_by(secret, timezone.now()) is None:
            raise Http404("no such link") from None
        context = {"invitation": invitation, "trouble": refused}
        return render(request, "doors/join.html", context, status=422)


def _join(request: HttpRequest, invitation: Invitation) -> HttpResponse:
    if request.method != "POST":
        return render(request, "doors/join.html", {"invitation": invitation})
    invitations.join(invitation, request.user, timezone.now())
    return _welcome(request, invitation)


def _join_as_new(request: HttpRequest, invitation: Invitation) -> HttpResponse:
    form = JoinForm(request.POST if request.method == "POST" else None)
    if form.is_valid():
        said, now = form.cleaned_data, timezone.now()
        try:
            user = invitations.join_as_new(
                invitation, said["username"], said["full_name"], said["password"], now
            )
        except ValidationError as wrong:
            for field, errors in wrong.message_dict.items():
                form.add_error(field, errors)
        else:
            signing_in.sign_in(request, user, now)
            return _welcome(request, invitation)
    context = {"invitation": invitation, "form": form}
    return render(request, "doors/join.html", context, status=422 if form.errors else 200)


def _welcome(request: HttpRequest, invitation: Invitation) -> HttpResponse:
    request.session[SESSION_KEY] = invitation.site_id
    said = _("Welcome: you belong to %(site)s as %(role)s.")
    messages.info(request, said % {"site": invitation.site, "role": invitation.get_role_display()})
    return redirect("this_week")
