"""A seeded short form of ``tests/benchmarks/damaged_uploads.py``: no crash, nothing stored in part."""

from __future__ import annotations

import pytest

from tests import factories as make
from tests.benchmarks.damaged_uploads import try_files


@pytest.mark.django_db
@pytest.mark.parametrize("seed", [2, 3])
def test_damaged_files_are_stored_whole_or_refused_with_their_lines(settings, tmp_path, seed):
    settings.UPLOADS_DIR = tmp_path
    told = try_files(make.make_room(make.make_site()), 100, seed)
    assert told.faults == []
    assert told.counts["refused"] > 20
    assert told.counts["stored"] > 5
    assert list(tmp_path.iterdir()) == []
