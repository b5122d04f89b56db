"""Hostile requests against every door and every form found behind one, from a seed.

What is asked of each: no error of the server, whatever is sent, and nothing of another site changed.
"""

from __future__ import annotations

import io
import json
import random
import zipfile
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from html.parser import HTMLParser
from http.cookies import SimpleCookie
from typing import Any
from urllib.parse import quote, urlencode

from django.apps import apps
from django.core.files.uploadedfile import SimpleUploadedFile
from django.db import transaction
from django.test import Client
from django.urls import NoReverseMatch, reverse

from tests.admin_doors import KEEPER
from tests.doors import DOORS, LOGIN, Door
from tests.house_with_doors import CALENDAR, READINGS, Walk, filled, kept_as_it_was

# Those who belong to the house and those who belong nowhere; whoever belongs to the other site may change it.
PEOPLE = (
    "technician",
    "technician",
    "technician",
    "administrator",
    "administrator",
    "reader",
    "new",
    "stranger",
)
TRIES_A_ROUND = 40  # then everything is as it was again
EVERYWHERE = {"/logout/", "/admin/logout/", "/admin/password_change/"}  # forms that end a round's sessions
EXPECTED = {"healthz"}  # says with a status of the server that nobody beats
WORDS = (
    "",
    " ",
    "0",
    "-1",
    "1",
    "9" * 18,
    "9" * 19,
    "9" * 400,
    "1e309",
    "-1e-320",
    "NaN",
    "Infinity",
    "0x10",
    "１２",
    "²",
    "½",
    "1,5",
    "1.5.5",
    "true",
    "null",
    "None",
    "\0",
    "a\0b",
    "\x1b[0m",
    "\r\n",
    "a\r\nSet-Cookie: b=c",
    "\u2028",
    "\u202e",
    "\ud7ff",
    "\U0010ffff",
    "e\u0301" * 300,
    "ﷺ" * 200,
    "Ω" * 5000,
    "x" * 70_000,
    "'; DROP TABLE fleet_site; --",
    "<script>alert(1)</script>",
    "{{ 7|add:7 }}",
    "%s%n%d",
    "%00",
    "../../../../etc/passwd",
    "=1+1",
    "[]",
    "{}",
    '[[[[[[{"a": [null]}]]]]]]',
    "2026-02-30",
    "0000-00-00",
    "0001-01-01",
    "9999-12-31",
    "10000-01-01",
    "2026-11-25",
    "2026-W00",
    "2026-W53",
    "9999-W53",
    "0001-W01",
    "2026-11-25T25:61",
    "2026-03-29T02:30",
    "2026-11-25T08:15:00+99:00",
    "24:00",
    "07:00",
    "-07:00",
    "Europe/Nowhere",
    "C#9",
    "H4",
    "http://127.0.0.1:1/x",
    "http://[::1",
    "file:///etc/passwd",
    "javascript:alert(1)",
    "http://" + "a" * 3000,
    "on",
    "tuning",
    "concert",
    "someone@example.org",
)
TYPES = (
    "application/x-www-form-urlencoded",
    "application/json",
    "text/csv",
    "multipart/form-data",
    "multipart/form-data; boundary=x",
    "multipart/form-data; boundary=" + "y" * 300,
    "text/plain; charset=utf-16",
    "application/x-www-form-urlencoded; charset=nonsense",
    "application/xml",
    "",
    "\x01/;",
)


@dataclass
class Form:
    """A form found on a page: where it goes, how, and its fields with what stands in them."""

    action: str
    method: str
    fields: dict[str, list[str]] = field(default_factory=dict)
    files: list[str] = field(default_factory=list)


class _Forms(HTMLParser):
    def __init__(self) -> None:
        super().__init__()
        self.found: list[Form] = []
        self.select = ""

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        told = {name: value or "" for name, value in attrs}
        if tag == "form":
            self.found.append(Form(told.get("action", ""), told.get("method", "get").lower()))
        if not self.found:
            return
        name = told.get("name", "")
        if tag == "select":
            self.select = name
        if tag == "option" and self.select:
            self.found[-1].fields.setdefault(self.select, []).append(told.get("value", ""))
        if tag in ("input", "textarea", "button", "select") and name and name != "csrfmiddlewaretoken":
            if told.get("type") == "file":
                self.found[-1].files.append(name)
            else:
                self.found[-1].fields.setdefault(name, []).append(told.get("value", "on"))


def forms_of(page: str) -> list[Form]:
    """The forms of a page."""
    parser = _Forms()
    parser.feed(page)
    return parser.found


@dataclass
class Tried:
    """What came of it: how many tries, by status and by door, and what went wrong."""

    tries: int = 0
    statuses: Counter[int] = field(default_factory=Counter)
    doors: Counter[str] = field(default_factory=Counter)
    forms: int = 0
    wrong: list[str] = field(default_factory=list)


class Fuzz:
    """One run over doors of a house.

    Parameters
    ----------
    walk : the house
    seed : of every choice
    doors : what is tried, by the name of its address
    people : who tries it, as often as named
    sees : by whose eyes the forms behind the doors are found
    """

    def __init__(
        self,
        walk: Walk,
        seed: int,
        doors: Mapping[str, Door] = DOORS,
        people: Sequence[str] = PEOPLE,
        sees: str = "administrator",
    ) -> None:
        self.walk, self.doors, self.people = walk, doors, people
        self.sees = sees
        self.chance = random.Random(seed)
        self.tried = Tried()
        self.client = Client(raise_request_exception=False)
        self.forms = self._find_forms()
        self.tried.forms = sum(len(found) for found in self.forms.values())

    def run(self, tries: int) -> Tried:
        """Try so often, round by round; after each round everything is put back.

        Whoever may change every site is not asked to leave the other one as it was.
        """
        names = sorted(self.doors)
        binds = KEEPER not in self.people
        before = everything_of(self.walk.others["site"])
        while self.tried.tries < tries:
            with kept_as_it_was():
                told = [self.once(self.chance.choice(names)) for _ in range(TRIES_A_ROUND)]
                if binds and everything_of(self.walk.others["site"]) != before:
                    self.tried.wrong.append("another site was changed by one of: " + "; ".join(told))
        return self.tried

    def once(self, name: str) -> str:
        """Try a door in some way and return what was tried."""
        door, who = self.doors[name], self.chance.choice(self.people)
        path = self._path(name, door)
        self.client.cookies = SimpleCookie(
            {"sessionid": self.walk.cookies[who]} if who in self.walk.cookies else {}
        )
        form = self._form(name, door)
        method, data, extra = self._request(form, door)
        if form.action.startswith("/") and method == "POST" and self.chance.random() < 0.8:
            path = form.action
        if method == "GET" and data:
            path, data = f"{path}?{urlencode(data, doseq=True)}", None
        told = f"{who} {method} {path[:300]!r} {extra.get('content_type', '')} {str(data)[:600]!r}"
        with transaction.atomic():  # so that what an error of the server left open ends here
            mark = transaction.savepoint()
            answer = self._send(method, path, data, extra)
            if answer.status_code >= 500:
                transaction.savepoint_rollback(mark)
        self.tried.tries += 1
        self.tried.statuses[answer.status_code] += 1
        self.tried.doors[name] += 1
        if answer.status_code >= 500 and name not in EXPECTED:
            kind, error, _ = answer.exc_info if getattr(answer, "exc_info", None) else ("", "", None)
            self.tried.wrong.append(f"{answer.status_code} {kind} {error}: {told}")
        return told

    def _send(self, method: str, path: str, data: Any, extra: dict[str, Any]) -> Any:
        if "content_type" in extra:
            return self.client.generic(method, path, data, **extra)
        if method in ("GET", "HEAD"):
            return self.client.generic(method, path, **extra)
        return self.client.post(path, data or {}, **extra)

    def _find_forms(self) -> dict[str, list[Form]]:
        found: dict[str, list[Form]] = {}
        self.client.cookies = SimpleCookie({"sessionid": self.walk.cookies[self.sees]})
        for name, door in self.doors.items():
            address = reverse(name.split()[0], kwargs=filled(door.args, self.walk.things))
            answer = self.client.get(address, filled(door.query, self.walk.things))
            if answer.status_code == 200 and "text/html" in answer.headers.get("Content-Type", ""):
                forms = forms_of(answer.content.decode("utf-8", "replace"))
                found[name] = [form for form in forms if form.action not in EVERYWHERE]
        return found

    def _path(self, name: str, door: Door) -> str:
        args = filled(door.args, self.walk.things)
        for key in args:
            if self.chance.random() < 0.15:
                args[key] = self.chance.choice([0, 1, 10**18, 10**19, 10**40, *WORDS])
        try:
            return reverse(name.split()[0], kwargs=args)
        except (NoReverseMatch, ValueError):
            # An address that the table of addresses would not make; somebody may still type it.
            plain = reverse(name.split()[0], kwargs=filled(door.args, self.walk.things))
            return plain.rstrip("/") + quote(str(self.chance.choice(WORDS))[:2000]) + "/"

    def _request(self, form: Form, door: Door) -> tuple[str, Any, dict[str, Any]]:
        way = self.chance.random()
        usual = "POST" if set(door.post) - {405, LOGIN} or (form.action and form.method == "post") else "GET"
        method = usual if self.chance.random() < 0.85 else self.chance.choice(["POST", "GET"])
        if way < 0.12:
            return (
                self.chance.choice(["POST", "POST", "PUT"]),
                self._raw(),
                {"content_type": self.chance.choice(TYPES)},
            )
        if way < 0.15:
            return self.chance.choice(["PUT", "DELETE", "PATCH", "OPTIONS", "HEAD"]), {}, {}
        extra: dict[str, Any] = {}
        if self.chance.random() < 0.1:
            extra["HTTP_HX_REQUEST"] = "true"
        data = self._spoilt(form.fields)
        if method == "POST":
            data |= {file: self._file() for file in form.files if self.chance.random() < 0.9}
        return method, data, extra

    def _form(self, name: str, door: Door) -> Form:
        """The form of a door's line, or one found on its page, with what belongs into it."""
        said = filled(door.form | door.query, self.walk.things)
        own = Form("", "post")
        for key, value in said.items():
            if isinstance(value, SimpleUploadedFile):
                own.files.append(key)
            else:
                own.fields[key] = [str(value)]
        found = [form for form in self.forms.get(name, []) if form.fields or form.files]
        if found and self.chance.random() < 0.5:
            other = self.chance.choice(found)
            return Form(
                other.action, other.method, {**other.fields, **own.fields}, [*other.files, *own.files]
            )
        return own

    def _spoilt(self, fields: dict[str, list[str]]) -> dict[str, Any]:
        data: dict[str, Any] = {}
        for key, values in fields.items():
            dice = self.chance.random()
            if dice < 0.45:
                data[key] = self.chance.choice(values or [""])
            elif dice < 0.8:
                data[key] = self._word()
            elif dice < 0.88:
                data[key] = [self._word() for _ in range(self.chance.randint(2, 30))]
            elif dice < 0.92:
                data[f"{key}[]"] = self._word()
        if self.chance.random() < 0.1:
            data[self._word()[:200] or "x"] = self._word()
        if self.chance.random() < 0.01:
            data |= {f"f{number}": "" for number in range(1100)}
        return data

    def _word(self) -> str:
        if self.chance.random() < 0.15:
            thing = self.chance.choice(sorted(self.walk.others))
            return str(self.walk.others[thing])
        if self.chance.random() < 0.1:
            return "".join(chr(self.chance.randrange(1, 0xD7FF)) for _ in range(self.chance.randint(1, 40)))
        return self.chance.choice(WORDS)

    def _raw(self) -> bytes:
        choice = self.chance.randrange(7)
        if choice == 0:
            return self.chance.randbytes(self.chance.randint(0, 400))
        if choice == 1:
            return json.dumps(self._nested(4)).encode()
        if choice == 2:
            return b"[" * self.chance.choice([10, 5000, 200_000])
        if choice == 3:
            return b'--x\r\nContent-Disposition: form-data; name="file"; filename="a\0b.csv"\r\n\r\nno end'
        if choice == 4:
            return b"a=%ZZ&b=%C3&c&=&d=1=2&%00=%00" + b"&e=1" * self.chance.choice([1, 2000])
        if choice == 5:
            return b"\xff\xfe" + "room,time\n".encode("utf-16-le")
        return bytes(self._file().read())

    def _nested(self, depth: int) -> Any:
        dice = self.chance.random()
        if depth == 0 or dice < 0.4:
            return self.chance.choice([None, True, -0.0, 1e308, 10**30, *WORDS])
        if dice < 0.7:
            return [self._nested(depth - 1) for _ in range(self.chance.randint(0, 4))]
        names = ["room", "time", "relative_humidity_percent", "temperature_c", *WORDS[:10]]
        return {self.chance.choice(names): self._nested(depth - 1) for _ in range(self.chance.randint(0, 5))}

    def _file(self) -> SimpleUploadedFile:
        packed = io.BytesIO()
        with zipfile.ZipFile(packed, "w") as archive:
            archive.writestr("../site.csv", "name,time_zone\nx,UTC\n")
        raw = bytearray(self.chance.choice([READINGS, CALENDAR, packed.getvalue(), b"", b"\0" * 200]))
        for _ in range(self.chance.randint(0, 5)):
            at = self.chance.randrange(len(raw) + 1)
            damage = self.chance.choice([b"\xff", b"\0", b'"', b"\r", b";", b"BEGIN:VEVENT\r\n", b"9" * 400])
            raw[at : at + self.chance.randint(0, 8)] = damage
        name = self.chance.choice(
            ["a.csv", "b.ics", "c.zip", "...", "\u202ecsv.exe", "x" * 300 + ".csv", "a\\b/c"]
        )
        return SimpleUploadedFile(name, bytes(raw), self.chance.choice(["text/csv", "image/png", "x"]))


def everything_of(site: int) -> dict[str, list[Any]]:
    """Every row of a site, by model."""
    return {model._meta.label: list(rows) for model, rows in _rows(site)}


def _rows(site: int) -> Iterator[tuple[Any, Any]]:
    for app in ("fleet", "scheduling"):
        for model in apps.get_app_config(app).get_models():
            path = getattr(model, "site_path", None)
            # Readings and their days are counted and not compared, being thousands.
            if path and model._meta.label not in ("fleet.ClimateReading", "fleet.ClimateDay"):
                yield model, model._default_manager.filter(**{path: site}).order_by("pk").values_list()
