"""A browser that reads the pages: the system's Chromium, watched for complaints and stray requests."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Any

import pytest
from django.test.utils import override_settings
from playwright.sync_api import Browser, Page, sync_playwright

FLAGS = (
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--disable-dev-shm-usage",
)
NAMES = ("chromium", "chromium-browser", "google-chrome")


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    path = next((found for found in map(shutil.which, NAMES) if found), None)
    if path is None:
        if os.environ.get("TESTS_OMIT_NOTHING"):
            pytest.fail("no Chromium on this machine, and nothing may be left out")
        pytest.skip("no Chromium on this machine, so the pages were not read in a browser")
    # The driver runs an event loop in this thread, which Django would take for its own.
    before = os.environ.get("DJANGO_ALLOW_ASYNC_UNSAFE")
    os.environ["DJANGO_ALLOW_ASYNC_UNSAFE"] = "true"
    with sync_playwright() as driver:
        chromium = driver.chromium.launch(executable_path=path, args=list(FLAGS))
        yield chromium
        chromium.close()
    if before is None:
        del os.environ["DJANGO_ALLOW_ASYNC_UNSAFE"]
    else:
        os.environ["DJANGO_ALLOW_ASYNC_UNSAFE"] = before


@dataclass
class Visit:
    """A page in the browser with everything it complained of and asked for elsewhere."""

    page: Page
    origin: str
    complaints: list[str] = field(default_factory=list)
    strayed: list[str] = field(default_factory=list)

    def watch(self) -> None:
        self.page.on("console", lambda said: self._note(said.type, said.text))
        self.page.on("pageerror", lambda error: self.complaints.append(str(error)))
        self.page.on("request", lambda request: self._asked(request.url))

    def _note(self, kind: str, text: str) -> None:
        if kind in {"error", "warning"}:
            self.complaints.append(text)

    def _asked(self, url: str) -> None:
        if not url.startswith((self.origin, "data:", "blob:")):
            self.strayed.append(url)

    def open(self, path: str) -> None:
        self.page.goto(self.origin + path)
        self.page.wait_for_load_state("networkidle")

    @contextmanager
    def arriving(self) -> Iterator[None]:
        """Do what opens another page, and go on when that page is there and quiet."""
        with self.page.expect_navigation():
            yield
        self.page.wait_for_load_state("networkidle")

    def overflow(self) -> int:
        """How many pixels the page is wider than the window, once it is there (a click returns sooner)."""
        self.page.wait_for_load_state()
        return self.page.evaluate("document.documentElement.scrollWidth - window.innerWidth")


@pytest.fixture
def visit(browser: Browser, live_server: Any, request: Any) -> Iterator[Visit]:
    width, scheme = getattr(request, "param", (1280, "light"))
    with override_settings(ALLOWED_HOSTS=["localhost", "127.0.0.1"]):
        context = browser.new_context(viewport={"width": width, "height": 800}, color_scheme=scheme)
        context.set_default_timeout(20_000)
        seen = Visit(context.new_page(), live_server.url)
        seen.watch()
        yield seen
        context.close()
