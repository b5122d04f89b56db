"""Settings, addresses and the task application of the almanac."""

from config.celery import app as celery_app

__all__ = ["celery_app"]
