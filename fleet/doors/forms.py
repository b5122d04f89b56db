"""Forms of the doors: passwords are typed twice, names are on one line."""

from __future__ import annotations

from typing import Any

from django import forms
from django.contrib.auth.password_validation import password_validators_help_texts
from django.utils.translation import gettext_lazy as _

from fleet.names import name_of


def _password(label: Any, autocomplete: str) -> forms.CharField:
    # Spaces at the ends belong to it.
    widget = forms.PasswordInput(attrs={"autocomplete": autocomplete})
    return forms.CharField(label=label, strip=False, max_length=256, widget=widget)


class NewPasswordForm(forms.Form):
    """A new password, typed twice."""

    password = _password(_("New password"), "new-password")
    again = _password(_("The same once more"), "new-password")

    def clean(self) -> dict[str, Any]:
        """Refuse two that differ."""
        said = super().clean() or self.cleaned_data
        if said.get("password") and said.get("again") and said["password"] != said["again"]:
            self.add_error("again", _("The two are not the same."))
        return said

    @staticmethod
    def rules() -> list[str]:
        """Return what a password has to be."""
        return [str(text) for text in password_validators_help_texts()]


class ChangePasswordForm(NewPasswordForm):
    """The old password and a new one."""

    old = _password(_("Password until now"), "current-password")
    field_order = ("old", "password", "again")


class JoinForm(NewPasswordForm):
    """A new account for somebody who was invited."""

    username = forms.CharField(
        label=_("Name to sign in with"),
        max_length=150,
        widget=forms.TextInput(
            attrs={"autocomplete": "username", "autocapitalize": "none", "spellcheck": "false"}
        ),
    )
    full_name = forms.CharField(
        label=_("Your name, as others read it"),
        max_length=150,
        widget=forms.TextInput(attrs={"autocomplete": "name"}),
    )
    field_order = ("full_name", "username", "password", "again")

    def clean_full_name(self) -> str:
        """Return the name on one line."""
        return name_of(self.cleaned_data["full_name"])


class AccountForm(forms.Form):
    """A user's name and address; the address opens the account, so the password is asked for."""

    full_name = forms.CharField(
        label=_("Name, as others read it"),
        required=False,
        max_length=150,
        widget=forms.TextInput(attrs={"autocomplete": "name"}),
    )
    email = forms.EmailField(
        label=_("Mail address, to which a link for a new password goes"),
        required=False,
        max_length=254,
        widget=forms.EmailInput(attrs={"autocomplete": "email"}),
    )
    old = _password(_("Password, to confirm"), "current-password")

    def clean_full_name(self) -> str:
        """Return the name on one line."""
        return name_of(self.cleaned_data["full_name"])
