"""Worker and beat of the embedded default: real ones, as threads of the process that serves the pages."""

from __future__ import annotations

import logging
import threading
from typing import Any

from celery.beat import EmbeddedService
from celery.platforms import EX_OK
from celery.worker import WorkController, state

from config.celery import app

WORKERS = 2
STOP_SECONDS = 10


class EmbeddedQueue:
    """A worker with a pool of threads, and a beat, both ended by :meth:`stop`."""

    def __init__(self) -> None:
        self.ready = threading.Event()
        app.finalize()
        self.worker: Any = WorkController(
            app=app,
            pool_cls="threads",
            concurrency=WORKERS,
            loglevel=logging.INFO,
            use_eventloop=False,
            without_mingle=True,
            without_gossip=True,
            without_heartbeat=True,
            # Threads cannot be interrupted, so limits would promise what the pool cannot keep.
            task_time_limit=None,
            task_soft_time_limit=None,
            ready_callback=lambda consumer: self.ready.set(),
        )
        self.beat: Any = EmbeddedService(app, thread=True, scheduler_cls=app.conf.beat_scheduler)
        self.thread = threading.Thread(target=self.worker.start, name="worker", daemon=True)

    def start(self, timeout: float = 20) -> None:
        """Start both and wait until the worker listens.

        Raises
        ------
        RuntimeError
            Where the worker does not come up, as without its broker.
        """
        self.thread.start()
        if not self.ready.wait(timeout):
            raise RuntimeError("the background worker did not come up: is the broker there?")
        self.beat.start()

    def stop(self) -> bool:
        """Ask both to end, and return whether they did within seconds.

        What a task had not done by then is found again in the database by the next start.
        """
        # Asked through its state, the worker ends in its own thread, where its connection lives.
        state.should_stop = EX_OK
        if self.beat.is_alive():
            self.beat.stop()
        self.thread.join(STOP_SECONDS)
        return not self.thread.is_alive()
