"""What goes out with every answer, and that the settings of production pass Django's own checks."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from tests import factories as make

ROOT = Path(__file__).resolve().parents[3]
EXPECTED = {
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Referrer-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
}


@pytest.mark.django_db
@pytest.mark.parametrize("path", ["/login/", "/nowhere/", "/instruments/", "/healthz", "/?x=%00"])
def test_the_strict_headers_go_out_with_every_answer(client, path):
    headers = client.get(path).headers
    assert {name: headers[name] for name in EXPECTED} == EXPECTED
    asked = dict(part.split("=") for part in headers["Permissions-Policy"].split(", "))
    assert {"camera", "microphone", "geolocation"} <= set(asked)
    assert set(asked.values()) == {"()"}


@pytest.mark.django_db
def test_cookies_are_out_of_the_reach_of_scripts_and_of_other_sites(client):
    user = make.make_user()
    client.post("/login/", {"username": user.username, "password": "a long word"})
    cookie = client.cookies["sessionid"]
    assert (cookie["httponly"], cookie["samesite"]) == (True, "Lax")


def test_the_settings_of_production_pass_djangos_checks_and_refuse_to_start_without_a_secret(tmp_path):
    env = {**os.environ, "PRODUCTION": "1", "ALLOWED_HOSTS": "almanac.example", "VAR_DIR": str(tmp_path)}
    env.pop("SECRET_KEY", None)
    env.pop("DJANGO_ALLOW_ASYNC_UNSAFE", None)  # set while pages are tried in a browser
    command = [sys.executable, "manage.py", "check", "--deploy", "--fail-level", "WARNING"]

    def run(**more):
        return subprocess.run(command, cwd=ROOT, env={**env, **more}, capture_output=True, text=True)

    without = run()
    assert without.returncode != 0
    assert "SECRET_KEY" in without.stderr
    done = run(SECRET_KEY="k4" * 20 + "".join(map(chr, range(65, 91))))
    assert done.returncode == 0, done.stderr
    assert "no issues" in done.stdout
