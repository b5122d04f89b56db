"""The whole almanac in one process: tables, demo, forecasts, plan, letters, worker, beat and pages."""

from __future__ import annotations

import os
import signal
import socket
from datetime import datetime
from types import FrameType
from typing import Any

from django.conf import settings
from django.contrib.auth import get_user_model
from django.core.management import call_command
from django.core.management.base import BaseCommand, CommandError, CommandParser
from django.db import connection, connections
from django.utils import timezone
from waitress.server import create_server

from config.wsgi import application
from fleet import demo
from fleet.demo.loading import make_users
from fleet.demo.spec import DEMO
from fleet.models import Site
from fleet.refusal import Refused
from fleet.weeks import monday_before, week_of
from scheduling import forecasting, letters, planning, tasks
from scheduling.embedded import EmbeddedQueue

SEASON_WEEKS = 18
_STANDING: list[Any] = []
# The first plan is a draft to start from; whoever wants its last tenth of a per cent makes another.
PLAN_SECONDS = 30
WEB_THREADS = 6


class Command(BaseCommand):
    help = (
        "Starts everything in this process; an empty database is filled with an invented conservatory first."
    )

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("--host", default="127.0.0.1")
        parser.add_argument("--port", type=int, default=8000)
        parser.add_argument("--no-demo", action="store_true", help="leave an empty database empty")

    def handle(self, *args: Any, **options: Any) -> None:
        host, port = options["host"], options["port"]
        check_port(host, port)
        if "SITE_ADDRESS" not in os.environ:
            # Letters name the address at which this very process answers.
            settings.SITE_ADDRESS = f"http://{address_of(host)}:{port}"
        stop_on_signals()
        try:
            self.prepare(with_demo=not options["no_demo"])
            self.serve(host, port)
        except KeyboardInterrupt:
            pass
        self.say("Stopped")

    def prepare(self, *, with_demo: bool) -> None:
        """Do the first work, all of which is skipped where it is done."""
        self.say(f"Database: {settings.DATABASES['default']['NAME']}")
        call_command("migrate", verbosity=0, interactive=False)
        if settings.PRODUCTION:
            call_command("collectstatic", verbosity=0, interactive=False)
        now = timezone.now()
        if with_demo:
            self.load_demo(now)
        for site in Site.objects.order_by("name"):
            self.prepare_site(site, now)
        connections.close_all()

    def load_demo(self, now: datetime) -> None:
        """Fill an empty database with the invented conservatory and print the logins, this once."""
        if not Site.objects.exists():
            self.say("The database is empty: loading an invented conservatory")
            self.say(str(demo.load(now.date(), self.say)))
        elif not get_user_model().objects.exists():
            # A start that was cut short after the import has told nobody a password yet.
            for site in Site.objects.filter(name=DEMO.name):
                self.say(str(make_users(site, site.local_date(now))))

    def prepare_site(self, site: Site, now: datetime) -> None:
        """Bring forecasts, plan and letters of a site up to date; what is refused is said and left."""
        today = site.local_date(now)
        monday = monday_before(today)
        try:
            self.say(f"{site}: forecasts for {today}")
            forecasting.refresh(site, today, progress=self.say)
            if planning.current_plan(site, monday) is None:
                self.say(f"{site}: a draft season plan of {SEASON_WEEKS} weeks from {week_of(monday)}")
                planning.make_season_plan(
                    site,
                    planning.Wanted(monday, SEASON_WEEKS, time_limit=PLAN_SECONDS),
                    today,
                    progress=self.say,
                )
        except Refused as refused:
            self.say(f"{site}: {refused}")
        for kind in letters.COMPOSERS:
            letters.put_due_in_outbox(site, kind, timezone.now())
        count = len(letters.stored(site, monday))
        self.say(f"{site}: {count} letter{'' if count == 1 else 's'} for {week_of(monday)}")

    def serve(self, host: str, port: int) -> None:
        """Serve pages, with worker and beat beside them, until told to stop."""
        queue = EmbeddedQueue()
        keep_files_beside()
        try:
            server = create_server(application, host=host, port=port, threads=WEB_THREADS, ident="almanac")
        except OSError as error:
            raise CommandError(f"port {port} on {host} cannot be used: {error}") from error
        try:
            queue.start()
            tasks.tick.delay()
            self.say(f"Letters go to {letters_go_to()}")
            self.say(f"Almanac is ready at http://{address_of(host)}:{port}/")
            server.run()
        finally:
            self.say("Stopping")
            server.close()
            if not queue.stop():
                self.say("Stopped; what was not finished is taken up at the next start")
                # The interpreter would wait for the threads of the unfinished work.
                os._exit(0)

    def say(self, line: str) -> None:
        """Print a line at once, also where output goes to a file."""
        self.stdout.write(line)
        self.stdout.flush()


def keep_files_beside() -> None:
    """Keep SQLite's file open as long as this process lives, by a connection that does nothing.

    Where nobody has it open, the files beside it go, and a full disk would have no room for new ones: then
    not even a page could be read.
    """
    if connection.vendor == "sqlite":
        own = connection.copy()
        standing = own.get_new_connection(own.get_connection_params())
        standing.execute("SELECT count(*) FROM django_migrations").fetchall()
        _STANDING.append(standing)


def check_port(host: str, port: int) -> None:
    """Refuse a port that is taken before any work is done."""
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    with socket.socket(family, socket.SOCK_STREAM) as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind((host, port))
        except (OSError, OverflowError) as error:
            raise CommandError(
                f"port {port} on {host} cannot be used ({error}): choose another with --port"
            ) from error


def stop_on_signals() -> None:
    """Let SIGTERM end the process the way Ctrl-C does."""

    def stop(number: int, frame: FrameType | None) -> None:
        raise KeyboardInterrupt

    signal.signal(signal.SIGTERM, stop)
    signal.signal(signal.SIGINT, stop)


def address_of(host: str) -> str:
    """Return the host as it stands in an address."""
    return f"[{host}]" if ":" in host else host


def letters_go_to() -> str:
    """Return in words where letters go."""
    if "Folder" in settings.EMAIL_BACKEND:
        return f"the folder {settings.EMAIL_FILE_PATH}"  # type: ignore[misc]
    return f"the mail server {settings.EMAIL_HOST}:{settings.EMAIL_PORT}"
