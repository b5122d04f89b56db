"""A page asks the database as often for sixty instruments as for three."""

from __future__ import annotations

from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.utils import timezone

from scheduling import week_planning
from tests import factories as make
from tests.reports.house import make_house

MOST = 40
PATHS = (
    "/",
    "/?who=all",
    "/instruments/",
    "/instruments/?service=tuning&state=out",
    "/instruments/?standing=retired&order=-service&due_before=2026-12-20",
    "/fleet/",
    "/fleet/figures/building/?service=voicing",
    "/fleet/as/xlsx/",
    "/fleet/due/",
    "/fleet/weather/",
    "/fleet/hours/",
    "/fleet/season/",
    "/fleet/season/as/xlsx/",
    "/instruments/as/csv/",
    "/instruments/as/xlsx/?service=tuning&state=out",
    "/instruments/{instrument}/",
    "/instruments/{instrument}/forecasts/",
    "/instruments/{instrument}/figures/tuning/",
    "/forecasts/score/",
    "/services/{service}/",
    "/rooms/",
    "/rooms/{room}/",
    "/sensors/",
    "/rooms/{room}/climate/",
    "/rooms/compare/",
    "/rooms/held/",
    "/rooms/compare/figure/",
    "/rooms/{room}/figures/wood/",
    "/week/",
    "/week/?who=all",
    "/season/",
    "/season/?visit={visit}",
    "/season/what-if/",
    "/budget/",
    "/budget/xlsx/",
    "/budget/compare/",
    "/budget/compare/xlsx/",
    "/requests/",
)


def counts(client, house) -> dict[str, int]:
    client.force_login(house.administrator)
    week_planning.lay_out_week(house.site, house.plan.start, timezone.now(), time_limit=1e-6)
    asked = {}
    for path in PATHS:
        with CaptureQueriesContext(connection) as seen:
            first = house.instruments[0]
            things = {"instrument": first.pk, "room": house.rooms[0].pk, "service": first.services.first().pk}
            things["visit"] = house.plan.visits.filter(dated=False).last().pk
            answer = client.get(path.format(**things))
        assert answer.status_code == 200, path
        asked[path] = len(seen)
    return asked


def test_the_number_of_queries_does_not_grow_with_the_fleet(client, db):
    few = counts(client, make_house(make.TODAY, 3, "Small School"))
    many = counts(client, make_house(make.TODAY, 60, "Large School"))
    assert few == many
    assert max(many.values()) <= MOST
