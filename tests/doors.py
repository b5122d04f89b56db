"""Every address with what it has to answer to whom, written by hand beside the test that tries them all.

The rules are those of the house: readers read, technicians and administrators write, whoever does not belong
to a site finds nothing of it, whoever is not signed in is sent to the login.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

LOGIN = "login"  # sent to the login, and back to this address afterwards
Answer = int | str
Answers = tuple[Answer, ...]

# In this order everywhere; "other" is a technician of another site, "new" has a login and no site.
PEOPLE = ("technician", "administrator", "reader", "other", "new", "stranger")

NOT_SO = (405, 405, 405, 405, 405, LOGIN)  # no such method here; a stranger is not even told that
NOT_SO_OPENLY = (405,) * 6
OWN_SITE = (
    200,
    200,
    200,
    200,
    200,
    LOGIN,
)  # about one's own site; "new" is told how one begins
OF_A_SITE = (200, 200, 200, 200, 404, LOGIN)  # the same, where nothing can be said without a site
OF_THIS_SITE = (200, 200, 200, 404, 404, LOGIN)
WORK_AT_OWN = (200, 200, 403, 200, 404, LOGIN)
WORK_AT_THIS = (200, 200, 403, 404, 404, LOGIN)
OPEN = (200,) * 6

DONE = (302, 302, 403, 404, 404, LOGIN)  # the form names things of this site
OWN = (200, 200, 200, 200, 200, LOGIN)  # about whoever is signed in
OWN_DONE = (302, 302, 302, 302, 302, LOGIN)
# "other" is no administrator anywhere, and is told so before anything is looked up
ADMINISTRATORS = (403, 200, 403, 403, 404, LOGIN)
ADMINISTERED = (403, 302, 403, 403, 404, LOGIN)


@dataclass(frozen=True)
class Door:
    """What an address answers; ``args``, ``form``, ``query`` may name things of the house by ``@thing``."""

    get: Answers
    post: Answers = NOT_SO
    args: dict[str, Any] = field(default_factory=dict)
    form: dict[str, Any] = field(default_factory=dict)
    query: dict[str, Any] = field(default_factory=dict)
    secret: bool = False  # opens to whoever knows its address, and then tells what it is about


def one(thing: str, **more: str) -> dict[str, Any]:
    """The arguments of an address that names one row."""
    return {"pk": f"@{thing}", **more}


SEEN = {"seen": "0"}
OLD = {"old": "a long word"}
PASSWORD = {"password": "harp in the attic", "again": "harp in the attic"}
NEWCOMER = {"username": "ines.moor", "full_name": "Ines Moor", **PASSWORD}
SITE = {"name": "A New Name", "time_zone": "Europe/Vienna", "currency": "EUR", "reserve_hours": "2"}
SEASON = {"start": "2026-11-30", "weeks": "4"}
RECORD = {"day": "2026-11-25", "found": "-3", "left": "0", "token": "a-form-of-the-walk-through-doors"}
TUNING = {"kind": "tuning"}
VOICING = {"kind": "voicing"}
FIGURES = {"tolerance": "3", "weight": "1", "hours": "1,5", "interval_days": "90", "spacing_weeks": "1"}
KIND = {"kind": "strings", "unit": "mm", **FIGURES}
USES = ("concert", "recital", "teaching", "practice", "store")
RULES = {f"{use}-{name}": figure for use in USES for name, figure in FIGURES.items()}
PERSON = {
    "name": "Ines Moor",
    "email": "ines@example.org",
    "role": "technician",
    "hours_per_week": "10",
    "working_days": "1",
    "day_from": "08:00",
    "day_until": "17:00",
    "lunch_from": "12:00",
    "lunch_minutes": "30",
}
DAYS = {"first_day": "2026-12-01", "last_day": "2026-12-04"}
TERM = {"name": "Vacation", "weight_factor": "0,2", "playing_factor": "0", **DAYS}
CHOICES = {
    f"person{{person}}-{kind}_{name}": value
    for kind in ("due_work", "hours", "month")
    for name, value in (("day", "1"), ("at", "07:00"))
}
PAST = {"named": "2026-W40"}  # a week that cannot be laid out any more, which is said at once

NELL = {"email-1": "nell@example.org", "hours_per_week-1": "4"}
ITS_BRINGER = (200, 404, 404, 404, 404, LOGIN)  # a file is its bringer's alone until it is stored
ITS_BRINGER_DONE = (302, 404, 404, 404, 404, LOGIN)

DOORS: dict[str, Door] = {
    # to come in
    "login": Door(OPEN, OPEN),
    "admin_login": Door((302,) * 6, (302,) * 6),
    "login_code": Door((302,) * 6, (302,) * 6),  # nobody's password was shown just before
    "forgot_password": Door(OPEN, (302,) * 6, form={"email": "nobody@example.org"}),
    "reset_password": Door(OPEN, (302,) * 6, {"secret": "@reset_secret"}, PASSWORD, secret=True),
    "join": Door(OPEN, (422, 422, 422, 302, 302, 302), {"secret": "@join_secret"}, NEWCOMER, secret=True),
    "logout": Door(NOT_SO_OPENLY, (302,) * 6),
    "choose_language": Door(OPEN, (302,) * 6, form={"language": "de"}),
    "account": Door(OWN, OWN_DONE, form={"full_name": "Ines Moor", "email": "ines@example.org", **OLD}),
    "account_password": Door(OWN, OWN_DONE, form={**PASSWORD, **OLD}),
    "account_factor": Door(OWN, OWN_DONE, form={"step": "begin", **OLD}),
    "end_sessions": Door(NOT_SO, OWN_DONE, form={"session": ""}),
    "members": Door(ADMINISTRATORS),
    "invite": Door(
        NOT_SO, (403, 302, 403, 403, 404, LOGIN), form={"email": "new@example.org", "role": "reader"}
    ),
    "revoke_invitation": Door(NOT_SO, ADMINISTERED, one("invitation")),
    "change_member": Door(NOT_SO, ADMINISTERED, one("membership"), {"role": "reader"}),
    "end_member": Door(NOT_SO, ADMINISTERED, one("membership")),
    "take_off_factor": Door(NOT_SO, ADMINISTERED, one("membership")),
    "settings": Door(OF_A_SITE, (403, 302, 403, 403, 404, LOGIN), form=SITE),
    "set_services": Door(OF_A_SITE, (403, 302, 403, 403, 404, LOGIN), form=KIND),
    "set_service": Door(OF_THIS_SITE, ADMINISTERED, one("service_kind"), RULES),
    "reset_service": Door(NOT_SO, ADMINISTERED, one("service_kind")),
    "set_people": Door(OF_A_SITE),
    "new_person": Door(OF_A_SITE, (403, 302, 403, 403, 404, LOGIN), form=PERSON),
    "set_person": Door(OF_THIS_SITE, ADMINISTERED, one("person"), {**PERSON, "user": "@user"}),
    "add_absence": Door(NOT_SO, ADMINISTERED, one("person"), DAYS),
    "remove_absence": Door(NOT_SO, ADMINISTERED, one("absence")),
    "set_terms": Door(OF_A_SITE, (403, 302, 403, 403, 404, LOGIN), form=TERM),
    "set_term": Door(OF_THIS_SITE, ADMINISTERED, one("term"), TERM),
    "set_days": Door(OF_A_SITE),
    "choose_calendar": Door(NOT_SO, (403, 302, 403, 403, 404, LOGIN), form={"country": "AT", "part": "9"}),
    "set_day": Door(NOT_SO, (403, 302, 403, 403, 404, LOGIN), form={"day": "2026-12-24", "free": "yes"}),
    "choose_site": Door(NOT_SO, (302, 302, 302, 404, 404, LOGIN), form={"site": "@site"}),
    "healthz": Door((503,) * 6, NOT_SO_OPENLY),
    "how_it_runs": Door((403, 200, 403, 403, 404, LOGIN)),
    # instruments and their records
    "this_week": Door(OWN_SITE),
    "instruments": Door(OWN_SITE),
    "chosen": Door((200, 200, 403, 200, 200, LOGIN), query={"what": "returned"}),
    "change_instruments": Door(
        NOT_SO,
        DONE,
        form={"what": "use_class", "to_use": "store", "chosen": "@instrument", "seen": "@seen_use"},
    ),
    "place_visits": Door(
        NOT_SO,
        DONE,
        form={
            "what": "ask",
            "visit_service": "tuning",
            "week": "2026-12-14",
            "plan": "@plan",
            "chosen": "@instrument",
            "seen": "@seen_visit",
        },
    ),
    "keep_filter": Door(
        NOT_SO,
        (302, 302, 302, 302, 404, LOGIN),
        form={"page": "instruments", "name": "Mine", "query": "kind=grand"},
    ),
    "change_filter": Door(NOT_SO, (302, 404, 404, 404, 404, LOGIN), one("filter"), {"name": "Other"}),
    "instrument": Door(OF_THIS_SITE, args=one("instrument")),
    "instrument_forecasts": Door(OF_THIS_SITE, args=one("instrument")),
    "instrument_figure": Door(OF_THIS_SITE, args=one("instrument", **TUNING)),
    "dip": Door(OF_THIS_SITE, args=one("instrument")),
    "service": Door(OF_THIS_SITE, args=one("service")),
    "record": Door(WORK_AT_THIS, DONE, one("instrument", **TUNING), RECORD, {"form": RECORD["token"]}),
    "record_sheet": Door(
        WORK_AT_THIS, DONE, one("instrument", kind="regulation"), RECORD, {"form": RECORD["token"]}
    ),
    "sum_up_sheet": Door(NOT_SO, OF_THIS_SITE, one("instrument", kind="regulation")),
    "paper_sheet": Door(OF_THIS_SITE, args=one("instrument", kind="regulation")),
    "correct_service": Door(WORK_AT_THIS, DONE, one("service"), {**RECORD, "day": "2026-10-16"}),
    "withdraw_service": Door(NOT_SO, DONE, one("service")),
    "fleet": Door(OWN_SITE),
    "leaf": Door(OF_A_SITE, args={"name": "season"}),
    "leaf_figure": Door(OF_A_SITE, args={"name": "season"}),
    "leaf_file": Door(OF_A_SITE, args={"name": "hours", "form_name": "csv"}),
    "fleet_figure": Door(OF_A_SITE, args={"by": "use"}),
    "fleet_file": Door(OF_A_SITE, args={"form_name": "csv"}),
    "instrument_file": Door(OF_A_SITE, args={"form_name": "csv"}),
    "forecast_score": Door(OWN_SITE),
    "ask_score": Door(NOT_SO, (302, 302, 403, 302, 404, LOGIN), form={"folds": "5"}),
    # what players ask for
    "player": Door(OPEN, (400,) * 6, {"public_id": "@public_id"}, secret=True),
    "record_by_letter": Door(OPEN, OPEN, {"said": "@record_link"}, secret=True),
    "requests": Door(OWN_SITE),
    "request": Door(OF_THIS_SITE, DONE, one("request"), {"state": "done", "finding": "a loose pin"}),
    "renew_code": Door(NOT_SO, DONE, one("instrument")),
    "labels": Door((200, 200, 403, 200, 404, LOGIN)),
    # air
    "rooms": Door(OWN_SITE),
    "room": Door(OF_THIS_SITE, args=one("room")),
    "climate": Door(OF_THIS_SITE, args=one("room")),
    "room_figure": Door(OF_THIS_SITE, args=one("room", name="wood")),
    "compare_rooms": Door(OWN_SITE),
    "compare_figure": Door(OWN_SITE),
    "holdings": Door(OWN_SITE),
    "holding_study": Door(OF_THIS_SITE, args=one("holding")),
    "holding_file": Door(OF_THIS_SITE, args=one("holding", form_name="csv")),
    "ask_holding": Door(
        WORK_AT_OWN,
        (302, 302, 403, 422, 404, LOGIN),
        form={"room": "@room", "low": "40", "high": "55", "first": "2026-12-01"},
    ),
    "cancel_holding": Door(NOT_SO, DONE, one("holding")),
    "choose_lender": Door(NOT_SO, DONE, one("bare_room"), {"lender": "@room"}),
    "sensors": Door(OWN_SITE),
    "place_sensor": Door(NOT_SO, DONE, form={"room": "@room", "name": "S99"}),
    "take_sensor_away": Door(NOT_SO, DONE, form={"sensor": "@sensor"}),
    "check_sensor": Door(NOT_SO, DONE, form={"sensor": "@sensor", "salt_1": "sodium", "read_1": "74"}),
    "readings_uploads": Door(OWN_SITE),
    "readings_upload": Door(OF_THIS_SITE, args=one("upload")),
    "upload_figure": Door(OF_THIS_SITE, args=one("upload")),
    "bring_readings": Door(NOT_SO, DONE, form={"room": "@room", "file": "@readings"}),
    "choose_upload": Door(NOT_SO, DONE, one("upload"), {"room": "@other_room", "clock": "utc"}),
    "cancel_upload": Door(NOT_SO, DONE, one("upload")),
    "ways_in": Door(OF_A_SITE, (200, 200, 403, 404, 404, LOGIN), form={"room": "@room", "name": "a logger"}),
    "revoke_way_in": Door(NOT_SO, DONE, one("way_in")),
    "post_readings": Door(NOT_SO_OPENLY, (401,) * 6),
    # bookings
    "bookings_in": Door(
        OF_A_SITE, (302, 302, 403, 302, 404, LOGIN), form={"file": "@calendar", "name": "hall"}
    ),
    "bookings_reading": Door(OF_THIS_SITE, DONE, one("reading")),
    "bookings_source": Door(NOT_SO, DONE, one("source"), {"remove": "1"}),
    # the start of a site
    "start": Door(OWN_SITE),
    "start_site": Door(
        NOT_SO,
        (403, 302, 403, 403, 302, LOGIN),
        form={"name": "A Third School", "time_zone": "Europe/Vienna", "currency": "EUR"},
    ),
    "bring_arrival": Door(
        NOT_SO, (302, 302, 403, 302, 404, LOGIN), form={"kind": "instruments", "file": "@table"}
    ),
    "arrival": Door(ITS_BRINGER, args=one("arrival")),
    "choose_arrival": Door(NOT_SO, ITS_BRINGER_DONE, one("arrival"), {"act": "store"}),
    "cancel_arrival": Door(NOT_SO, ITS_BRINGER_DONE, one("arrival")),
    "start_by_hand": Door(
        OF_A_SITE, (302, 302, 403, 302, 404, LOGIN), {"kind": "people"}, {"name-1": "Nell Orr", **NELL}
    ),
    "start_next": Door(OWN_SITE),
    "begin_forecast": Door(NOT_SO, DONE, form={"site": "@site"}),
    # plans
    "season_plan": Door(OWN_SITE),
    "one_season_plan": Door(OF_THIS_SITE, args=one("plan")),
    "approve_plan": Door(NOT_SO, DONE, one("plan"), SEEN),
    "hold_visit": Door(NOT_SO, DONE, one("visit"), SEEN),
    "release_visit": Door(NOT_SO, DONE, one("held_visit"), SEEN),
    "move_visit": Door(NOT_SO, DONE, one("visit"), {**SEEN, "week": "2026-12-14"}),
    "order_draft": Door(NOT_SO, DONE, form={**SEASON, "plan": "@plan"}),
    "draft_order": Door(OF_THIS_SITE, args=one("draft")),
    "cancel_draft": Door(NOT_SO, DONE, one("draft")),
    "what_if": Door(OWN_SITE),
    "new_scenario": Door(
        WORK_AT_OWN,
        (302, 302, 403, 422, 404, LOGIN),
        form={
            **SEASON,
            "away_person": "@person",
            "away_from": "2026-12-01",
            "away_to": "2026-12-05",
        },
    ),
    "compute_again": Door(NOT_SO, DONE, one("scenario")),
    "cancel_scenario": Door(NOT_SO, DONE, one("scenario")),
    "delete_scenario": Door(NOT_SO, DONE, one("scenario")),
    "week_plan": Door(OWN_SITE),
    "week_plan named": Door((200, 200, 200, 200, 404, LOGIN), args=PAST),
    "lay_out_week": Door(NOT_SO, (302, 302, 403, 302, 404, LOGIN), PAST),
    "budget": Door(OWN_SITE),
    "budget_ahead": Door(OWN_SITE),
    "budget_ahead_file": Door(OF_A_SITE, args={"form_name": "csv"}),
    "ask_seasons_ahead": Door(NOT_SO, (302, 302, 403, 302, 404, LOGIN), form={"years": "2"}),
    "cancel_seasons_ahead": Door(NOT_SO, DONE, one("ahead")),
    "budget_compare": Door(OWN_SITE),
    "budget_compare_file": Door(OF_A_SITE, args={"form_name": "csv"}),
    "budget_export": Door(OF_A_SITE, args={"form_name": "csv"}),
    # history, and what was put away
    "history": Door(OWN_SITE),
    "fact_history": Door(OF_THIS_SITE, args=one("instrument", subject="instrument")),
    "put_away_list": Door(OF_A_SITE),
    "put_away": Door(WORK_AT_THIS, DONE, one("sensor", subject="sensor")),
    "bring_back": Door(NOT_SO, (403, 302, 403, 404, 404, LOGIN), one("put_away")),
    # personal data: one's own, and by an administrator anybody's of the site
    "personal_data": Door(OF_A_SITE),
    "export_personal_data": Door(NOT_SO, (403, 200, 403, 404, 404, LOGIN), form={"person": "@person"}),
    "remove_personal_data": Door(
        NOT_SO, (403, 302, 403, 404, 404, LOGIN), form={"person": "@person", "confirm": "@person_name"}
    ),
    # letters and calendars
    "letters": Door(OF_A_SITE),
    "letter": Door(OF_THIS_SITE, args=one("letter")),
    "letter_again": Door(NOT_SO, DONE, one("letter")),
    "letter_choices": Door(OF_A_SITE, DONE, form={"person": "@person", **CHOICES}),
    "stop_letters": Door(OPEN, OPEN, {"token": "@stop_link"}, secret=True),
    "calendars": Door(OF_A_SITE, (200, 200, 403, 404, 404, LOGIN), form={"person": "@person"}),
    "revoke_calendar": Door(NOT_SO, DONE, one("feed")),
    "work_calendar": Door(OPEN, NOT_SO_OPENLY, {"secret": "@feed_secret"}, secret=True),
}


@dataclass(frozen=True)
class Field:
    """A field that names a thing by its id, and the answer to the id of another site's."""

    door: str
    name: str
    thing: str
    answer: int


# Each is sent by the technician of the house with the rest of the door's form as it stands above.
FORM_FIELDS = (
    Field("choose_site", "site", "site", 404),
    Field("ask_holding", "room", "room", 422),
    Field("choose_lender", "lender", "room", 404),
    Field("place_sensor", "room", "room", 404),
    Field("take_sensor_away", "sensor", "sensor", 404),
    Field("check_sensor", "sensor", "sensor", 404),
    Field("bring_readings", "room", "room", 404),
    Field("choose_upload", "room", "room", 404),
    Field("begin_forecast", "site", "site", 404),
    Field("ways_in", "room", "room", 404),
    Field("change_instruments", "chosen", "instrument", 404),
    Field("place_visits", "plan", "plan", 404),
    Field("place_visits", "chosen", "instrument", 404),
    Field("order_draft", "plan", "plan", 404),
    Field("new_scenario", "away_person", "person", 422),
    Field("letter_choices", "person", "person", 404),
    Field("calendars", "person", "person", 404),
    Field("set_person", "user", "user", 422),
)

# Fields that name a thing by its name: the form is what it is, and one more change speaks of another site's.
NAME_FIELDS = (
    {"held_room": "@room_name", "held_low": "40", "held_high": "50"},
    {"added_count": "1", "added_kind": "upright", "added_use": "teaching", "added_room": "@room_name"},
    {"retired": "@tag"},
    {"use_tags": "@tag", "use_class": "concert"},
)

# What an address may be asked about; pages that show a choice leave out what is none of the site's.
QUERY_FIELDS = (
    Field("labels", "room", "room", 404),
    Field("labels", "instrument", "tag", 404),
    Field("labels", "chosen", "instrument", 404),
    Field("chosen", "chosen", "instrument", 404),
    Field("instruments", "room", "room", 200),
    Field("compare_rooms", "room", "room", 200),
    Field("holdings", "room", "room", 200),
    Field("ask_holding", "room", "room", 200),
    Field("compare_figure", "room", "room", 200),
    Field("one_season_plan", "visit", "visit", 200),
    Field("what_if", "with", "scenario", 200),
    Field("budget_compare", "with", "scenario", 200),
    Field("budget_compare_file", "with", "scenario", 200),
    Field("player", "sent", "sent_mark", 404),
)

# Choices whose values are plain numbers: marks, days of the week, minutes, keys of a keyboard.
NUMBERS = {
    "every",
    "asked-#-shown",  # the id stands in the name, and is tried by a test of its own
    "key",
    "leave",
    "minutes",
    "passes",
    "person#-due_work_day",
    "remove",
    "seen",
    "spares",
    "working_days",
    "year",
    "years",
}
