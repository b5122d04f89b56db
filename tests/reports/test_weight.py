"""What a page asks to be carried: the first page is light, one with figures stays within its limit."""

from __future__ import annotations

import gzip
import re
from pathlib import Path

import pytest
from django.contrib.staticfiles import finders

from tests.factories import TODAY
from tests.reports.house import House, make_house

LINKED = re.compile(r'(?:src|href)="/static/([^"?]+)"')
FIRST_PAGE, WITH_FIGURES = 200_000, 2_000_000  # bytes; the second as compressed on the way


@pytest.fixture
def house(db) -> House:
    return make_house(TODAY, instruments=12)


def carried(client, path: str) -> list[bytes]:
    """The page itself and everything it links to on this machine."""
    page = client.get(path).content
    parts = [page]
    for name in dict.fromkeys(LINKED.findall(page.decode())):
        found = finders.find(name)
        assert found, f"{path} links to {name}, which is nowhere"
        parts.append(Path(found).read_bytes())
    return parts


@pytest.mark.parametrize("person", ["technician", "administrator"])
def test_the_first_page_is_under_200_kb_with_all_it_links_to(client, house, person):
    client.force_login(getattr(house, person))
    parts = carried(client, "/")
    assert len(parts) > 4  # page, style sheets and scripts
    assert sum(map(len, parts)) < FIRST_PAGE


def test_a_page_with_figures_is_under_2_mb_compressed(client, house):
    client.force_login(house.technician)
    parts = carried(client, f"/instruments/{house.instruments[0].pk}/")
    assert any(len(part) > 500_000 for part in parts), "the library that draws is among them"
    assert sum(len(gzip.compress(part, 6)) for part in parts) < WITH_FIGURES
