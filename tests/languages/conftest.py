"""The catalogues of every language, read as they are committed."""

from __future__ import annotations

from pathlib import Path

import polib
import pytest
from django.conf import settings

APPS = ("fleet", "scheduling", "reports")
OTHERS = [code for code, _name in settings.LANGUAGES if code != settings.LANGUAGE_CODE]
CATALOGUES = [(app, code) for app in APPS for code in OTHERS]


def catalogue(app: str, language: str) -> Path:
    """Where the texts of an app are in a language."""
    return Path(settings.BASE_DIR) / app / "locale" / language / "LC_MESSAGES" / "django.po"


@pytest.fixture(scope="session")
def german() -> list[polib.POEntry]:
    """Every text with its German."""
    return [entry for app in APPS for entry in polib.pofile(str(catalogue(app, "de")))]
