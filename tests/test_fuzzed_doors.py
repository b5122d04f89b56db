"""Whatever is sent to whichever door: a page, a refusal, never an error of the server.

The long run is ``python tests/benchmarks/fuzzed_doors.py``.
"""

from __future__ import annotations

import json
import random
from datetime import UTC, datetime

import pytest
from django.test import Client
from hypothesis import HealthCheck, given, seed, settings
from hypothesis import strategies as st

from fleet import ways_in
from fleet.models import ClimateReading
from tests import factories as make
from tests.admin_doors import KEEPER, admin_doors, sign_in_a_keeper
from tests.fuzzing import PEOPLE, Fuzz, forms_of
from tests.house_with_doors import prepare

SHORT = 240
NOW = datetime(2026, 11, 25, 8, tzinfo=UTC)


@pytest.fixture
def walk(db, settings, tmp_path):
    settings.UPLOADS_DIR = tmp_path
    return prepare()


def test_hostile_values_at_every_door_make_no_error_of_the_server(walk):
    tried = Fuzz(walk, seed=20261125).run(SHORT)
    assert tried.tries >= SHORT
    assert tried.forms > 30
    assert not tried.wrong, "\n\n".join(tried.wrong)


def test_the_tables_of_the_administration_take_hostile_values_and_let_no_member_in(walk):
    sign_in_a_keeper(walk)
    every = admin_doors(walk.things["site"])
    some = dict(random.Random(3).sample(sorted(every.items()), 30))
    kept = Fuzz(walk, 20261125, some, (KEEPER,), KEEPER).run(40)
    assert kept.statuses[200] > 5
    assert not kept.wrong, "\n\n".join(kept.wrong)
    turned_away = Fuzz(walk, 20261125, every, PEOPLE, "reader").run(120)
    assert not turned_away.wrong, "\n\n".join(turned_away.wrong)
    assert set(turned_away.statuses) <= {302, 400}


def test_forms_are_found_with_their_fields():
    page = '<form method="post" action="/x/"><input name="a" value="1"><select name="b"><option value="2">'
    (form,) = forms_of(page + '</select><input type="file" name="c"><button name="d">go</button></form>')
    assert (form.action, form.method, form.files) == ("/x/", "post", ["c"])
    assert {"a", "b", "d"} == set(form.fields)


TEXT = st.text(max_size=20)
ROWS = st.dictionaries(
    st.sampled_from(["room", "time", "relative_humidity_percent", "temperature_c", "temperature_f"]) | TEXT,
    st.none()
    | st.booleans()
    | st.integers()
    | st.floats()
    | TEXT
    | st.sampled_from(["Elm Hall", "2026-11-25T08:15:00+01:00", "2026-11-25 08:15"])
    | st.lists(TEXT, max_size=2),
    max_size=6,
)
BODIES = st.one_of(
    st.binary(max_size=200),
    st.lists(ROWS, max_size=4).map(lambda rows: json.dumps(rows).encode()),
    st.recursive(
        st.none() | st.floats() | TEXT, lambda inner: st.lists(inner) | st.dictionaries(TEXT, inner)
    ).map(lambda document: json.dumps(document).encode()),
    st.lists(st.text(st.characters(exclude_categories=["Cs"]), max_size=30), max_size=5).map(
        lambda lines: "\n".join(["room,time,relative_humidity_percent,temperature_c", *lines]).encode()
    ),
)


@seed(20261125)
@settings(
    max_examples=120,
    deadline=None,
    database=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)
@given(body=BODIES, kind=st.sampled_from(["application/json", "text/csv", "text/csv; charset=utf-16", "x"]))
@pytest.mark.django_db
def test_whatever_a_logger_posts_is_answered_and_nothing_impossible_is_stored(body, kind):
    site = make.make_site()
    make.make_room(site, "Elm Hall")
    way_in, secret = ways_in.make_way_in(site, "logger", None, make.make_user(site), NOW)
    answer = Client(raise_request_exception=False).generic(
        "POST", "/api/readings", body, content_type=kind, HTTP_AUTHORIZATION=f"Bearer {secret}"
    )
    assert answer.status_code in (200, 400, 401, 413, 415, 422, 429), (answer.status_code, body)
    assert all(0 <= reading.rh <= 1 for reading in ClimateReading.objects.filter(room__site=site))
