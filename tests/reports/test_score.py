"""The page that says how good the forecasts were, and asking for a new score."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta

import pytest
from scipy.stats import binomtest

from fleet.models import Role
from reports.queries.score import binomial_share
from scheduling import backtesting, forecasting, tasks
from scheduling.models import Backtest
from tests import factories as make
from tests.factories import TODAY

NOW = datetime(2026, 11, 25, 8, tzinfo=UTC)
PAGE, ASK = "/forecasts/score/", "/forecasts/score/ask/"
SCORES = {
    "folds": 4,
    "pairs": 60,
    "coverage80": 0.75,
    "crps": 0.31,
    "crps_baseline": {"fixed_interval": 0.5, "seasonal_mean": 0.62},
    "by_service": {
        "voicing": {
            "pairs": 20,
            "coverage80": 0.55,
            "crps": 0.9,
            "crps_baseline": {"fixed_interval": 0.8, "seasonal_mean": 0.75},
        },
        "tuning": {
            "pairs": 40,
            "coverage80": 0.85,
            "crps": 1.204,
            "crps_baseline": {"fixed_interval": 1.505, "seasonal_mean": 2.0},
        },
    },
}


@pytest.fixture
def site(db):
    return make.make_site("Tollgate School")


@pytest.fixture
def look(client, site):
    def looking(role=Role.TECHNICIAN, **headers):
        client.force_login(make.make_user(site, role))
        answer = client.get(PAGE, headers=headers)
        assert answer.status_code == 200
        return answer.content.decode()

    return looking


def made(site, state="done", asked=NOW, **fields):
    done = {"scores": SCORES, "made_at": asked} if state == "done" else {}
    return Backtest.objects.create(
        site=site, today=TODAY, folds=4, asked_at=asked, state=state, **{**done, **fields}
    )


def cells(text, name):
    row = next(row for row in re.findall(r"<tr><th scope=\"row\">.*?</tr>", text) if f">{name}<" in row)
    return re.findall(r"<td[^>]*>([^<]*)</td>", row)


@pytest.mark.parametrize("inside, pairs", [(0, 5), (5, 5), (41, 52), (1, 3), (790, 1000)])
def test_the_range_of_a_share_is_that_of_scipys_wilson_interval(inside, pairs):
    expected = binomtest(inside, pairs).proportion_ci(0.95, "wilson")
    share = binomial_share(inside, pairs)
    # the quantile is written with three digits
    assert (share.low, share.high) == pytest.approx((expected.low, expected.high), abs=1e-5)
    assert share.value == inside / pairs


def test_the_page_says_in_plain_numbers_how_many_values_lay_where_they_should(site, look):
    made(site, code_version=forecasting.engine_version())
    text = look().replace("\N{NO-BREAK SPACE}", " ")
    assert "Of 60 found values, 48 should have lain in the stated band; 45 did." in text
    assert "Records up to 25 November 2026, cut into 4 stretches of time" in text
    assert "earlier version" not in text
    # the order is that of the site's kinds; a gain is against the better of the two simple ways
    assert cells(text, "Tuning") == ["40", "1.20", "1.50", "2.00", "cents", "20 % smaller"]
    assert cells(text, "Voicing") == ["20", "0.90", "0.80", "0.75", "mark", "20 % larger"]
    assert cells(text, "All together")[:2] == ["60", "0.31"]
    assert "34 of 40, 32 were meant" in text
    assert text.index(">Tuning<") < text.index(">Voicing<")
    # 11 of 20: Wilson's range is 34 to 74 %, which leaves out the 80 % that were meant
    assert "band too narrow" in text
    assert "as meant" in text


def test_before_the_first_score_the_page_says_what_it_needs(look):
    text = look()
    assert "No score has been computed yet" in text
    assert ASK in text


@pytest.mark.parametrize(
    "state, done, words",
    [
        ("waiting", 0, "waits for its turn"),
        ("running", 0, "fold 1 of 4 has begun"),
        ("running", 3, "fold 3 of 4 is done"),
    ],
)
def test_progress_is_told_and_asked_after_while_the_older_score_stays(site, look, state, done, words):
    made(site, asked=NOW - timedelta(days=1))
    asked = made(site, state, folds_done=done)
    for headers in ({}, {"HX-Request": "true"}):
        text = look(**headers)
        assert words in text
        assert 'hx-trigger="every 2s"' in text
        assert "Of 60 found values" in text
        assert ASK not in text
        assert ("<html" in text) == (not headers)
    Backtest.objects.filter(pk=asked.pk).update(state="done", scores=SCORES, made_at=NOW)
    assert "hx-trigger" not in look()
    assert "earlier version of the forecast" in look()  # its mark is empty


def test_what_was_refused_says_why(site, look):
    made(site, "refused", trouble="3 found values are too few for 4 folds", made_at=NOW)
    assert "could not be computed: 3 found values are too few for 4 folds." in look()


def test_a_reader_looks_and_may_not_ask(client, site, look):
    made(site)
    text = look(Role.READER)
    assert "Of 60 found values" in text
    assert ASK not in text
    assert client.post(ASK, {"folds": 3}).status_code == 403
    client.force_login(make.make_user())
    assert client.post(ASK, {"folds": 3}).status_code == 404
    assert client.get(ASK).status_code == 405
    assert Backtest.objects.count() == 1


@pytest.fixture
def recorded(site):
    """A site whose records are enough for a score."""
    room = make.make_room(site)
    make.make_climate(room, TODAY - timedelta(days=400), 401)
    for number in range(3):
        instrument = make.make_instrument(room)
        for visit in range(6):
            day = TODAY - timedelta(days=20 + 60 * visit + number)
            make.make_service(instrument, day, found=(-1.0) ** visit * (1 + number), left=0.1)
    return site


def test_who_works_there_asks_and_the_task_computes_with_its_progress_told(
    client, recorded, look, monkeypatch, django_capture_on_commit_callbacks
):
    monkeypatch.setattr(tasks.backtest, "delay", tasks.backtest)
    monkeypatch.setattr(backtesting, "engine_version", lambda: str(Backtest.objects.get().folds_done))
    client.force_login(make.make_user(recorded))
    with django_capture_on_commit_callbacks(execute=True):
        answer = client.post(ASK, {"folds": "2"})
    assert answer.headers["Location"] == PAGE
    asked = Backtest.objects.get()
    assert (asked.state, asked.folds, asked.folds_done, asked.code_version) == ("done", 2, 2, "2")
    assert f"Of {asked.scores['pairs']} found values" in look()
    before = asked.scores
    tasks.backtest(asked.pk)  # the message came twice
    assert Backtest.objects.get().scores == before


@pytest.mark.parametrize("folds", ["", "0", "51", "many", "-1"])
def test_folds_that_are_no_number_or_too_many_are_refused_with_what_is_accepted(client, site, folds):
    client.force_login(make.make_user(site))
    answer = client.post(ASK, {"folds": folds}, follow=True)
    assert "accepted" in answer.content.decode() or "1 to 50" in answer.content.decode()
    assert not Backtest.objects.exists()


def test_too_few_values_end_in_a_refusal_on_the_page(site, look):
    asked = backtesting.ask(site, TODAY, NOW)
    assert backtesting.ask(site, TODAY, NOW).pk == asked.pk
    tasks.backtest(asked.pk)
    assert Backtest.objects.get().state == "refused"
    assert "too few" in look()


def test_the_tick_finds_scores_that_the_queue_lost(site):
    waiting = made(site, "waiting")
    assert backtesting.forgotten(NOW + timedelta(minutes=1)) == []
    assert backtesting.forgotten(NOW + timedelta(minutes=3)) == [waiting.pk]
    waiting.state = "running"
    waiting.save()
    assert backtesting.forgotten(NOW + timedelta(minutes=3)) == []
    assert backtesting.forgotten(NOW + timedelta(minutes=31)) == [waiting.pk]
