"""The Celery application: the queue only wakes work up, the rows in the database are the truth."""

import os
from typing import Any

from celery import Celery
from celery.signals import worker_process_init

os.environ.setdefault("DJANGO_SETTINGS_MODULE", "config.settings")

app = Celery("almanac")
app.config_from_object("django.conf:settings", namespace="CELERY")
app.autodiscover_tasks()

GIVES_WAY_BY = 10


def give_way(**_: Any) -> None:
    """Let pages go first where they share processors with the work behind them."""
    os.nice(GIVES_WAY_BY)


worker_process_init.connect(give_way)
