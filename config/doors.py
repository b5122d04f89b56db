"""Settings of the doors: sessions, passwords, locks, second factors, and the headers of every answer."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

from csp.constants import NONE, SELF

from config import env

SHORTEST_PASSWORD = 10


def settings(*, production: bool) -> dict[str, Any]:
    """Return the settings of all doors; in production also what only makes sense over TLS."""
    return {**_SIGNING_IN, **_LOCKS, **_HEADERS, **(_over_tls() if production else {})}


_SIGNING_IN: dict[str, Any] = {
    "AUTHENTICATION_BACKENDS": [
        "axes.backends.AxesStandaloneBackend",
        "django.contrib.auth.backends.ModelBackend",
    ],
    "AUTH_PASSWORD_VALIDATORS": [
        {"NAME": f"django.contrib.auth.password_validation.{name}", "OPTIONS": options}
        for name, options in (
            ("UserAttributeSimilarityValidator", {}),
            ("MinimumLengthValidator", {"min_length": SHORTEST_PASSWORD}),
            ("CommonPasswordValidator", {}),
            ("NumericPasswordValidator", {}),
        )
    ],
    "SESSION_ENGINE": "fleet.doors.session_store",
    "LOGIN_URL": "login",
    "LOGIN_REDIRECT_URL": "this_week",
    "LOGOUT_REDIRECT_URL": "login",
    "OTP_TOTP_ISSUER": "Instrument Almanac",
    # The admin shows that there is a second factor, not what it is made from.
    "OTP_ADMIN_HIDE_SENSITIVE_DATA": True,
}

_LOCKS: dict[str, Any] = {
    "AXES_FAILURE_LIMIT": 8,
    "AXES_COOLOFF_TIME": timedelta(minutes=15),
    "AXES_LOCKOUT_PARAMETERS": [["username", "ip_address"]],
    "AXES_LOCKOUT_TEMPLATE": "registration/locked.html",
    # Whoever waits the time that was said is let in, whatever was tried meanwhile.
    "AXES_RESET_COOL_OFF_ON_FAILURE_DURING_LOCKOUT": False,
    "AXES_CLIENT_IP_CALLABLE": "fleet.throttle.network_of",
    "AXES_RESET_ON_SUCCESS": True,
    "AXES_DISABLE_ACCESS_LOG": True,
    "AXES_VERBOSE": False,
}

_HEADERS: dict[str, Any] = {
    "CONTENT_SECURITY_POLICY": {
        "DIRECTIVES": {
            "default-src": [SELF],
            # Plotly sets one empty style element; its hash is that of the empty string.
            "style-src": [SELF, "'sha256-47DEQpj8HBSa+/TImW+5JCeuQeRkm5NMpJWZG3hSuFU='"],
            "img-src": [SELF, "data:"],
            "object-src": [NONE],
            "base-uri": [NONE],
            "form-action": [SELF],
            "frame-ancestors": [NONE],
        }
    },
    "SECURE_CONTENT_TYPE_NOSNIFF": True,
    "SECURE_REFERRER_POLICY": "same-origin",
    "SECURE_CROSS_ORIGIN_OPENER_POLICY": "same-origin",
    "X_FRAME_OPTIONS": "DENY",
    "SESSION_COOKIE_HTTPONLY": True,
    "SESSION_COOKIE_SAMESITE": "Lax",
}


def _over_tls() -> dict[str, Any]:
    return {
        "SECURE_REDIRECT_EXEMPT": [r"^healthz$"],
        "SECURE_SSL_REDIRECT": env.text("SECURE_SSL_REDIRECT", "1") == "1",
        "SECURE_PROXY_SSL_HEADER": ("HTTP_X_FORWARDED_PROTO", "https"),
        "SECURE_HSTS_SECONDS": 31_536_000,
        "SECURE_HSTS_INCLUDE_SUBDOMAINS": True,
        "SECURE_HSTS_PRELOAD": True,
        "SESSION_COOKIE_SECURE": True,
        "CSRF_COOKIE_SECURE": True,
    }
