"""How the task queue is run: it only wakes work up, so nothing here decides whether work is done."""

from __future__ import annotations

from typing import Any

# A killed worker's message comes back within seconds instead of minutes.
REDIS = {
    "visibility_timeout": 600,
    "unacked_restore_interval": 10,
    "unacked_restore_throttle": 1,
    "socket_connect_timeout": 2,
}


def settings(broker_url: str, tick_seconds: int) -> dict[str, Any]:
    """Return Celery's settings for a broker, with a clock that ticks so often [s]."""
    within = broker_url.startswith("memory:")
    chosen = {
        # kombu warns of an address without a host, even where it needs none.
        "broker_url": "memory://localhost/" if within else broker_url,
        "broker_transport_options": {"polling_interval": 0.05} if within else REDIS,
        # A worker waits for its broker as long as it takes; a page does not: the clock finds the work.
        "broker_connection_retry_on_startup": True,
        "broker_connection_max_retries": None,
        "task_publish_retry_policy": {"max_retries": 1, "interval_start": 0, "interval_max": 0.2},
        "task_ignore_result": True,
        "task_acks_late": True,
        "task_reject_on_worker_lost": True,
        "task_time_limit": 540,
        "task_soft_time_limit": 480,
        "worker_prefetch_multiplier": 1,
        "worker_hijack_root_logger": False,
        "timezone": "UTC",
        # What is due is asked of the database, so the clock needs no memory of its own.
        "beat_scheduler": "celery.beat:Scheduler",
        "beat_schedule": {"tick": {"task": "scheduling.tick", "schedule": tick_seconds}},
    }
    return {f"CELERY_{name.upper()}": value for name, value in chosen.items()}
