"""The server's entry: what is done once, so that no visitor waits for it."""

from __future__ import annotations

import gc
import importlib


def test_what_is_there_before_the_first_visitor_is_left_out_of_searches_for_garbage():
    try:
        entry = importlib.reload(importlib.import_module("config.wsgi"))
        assert callable(entry.application)
        frozen = gc.get_freeze_count()
        assert frozen > 10 * len(gc.get_objects())
    finally:
        gc.unfreeze()
