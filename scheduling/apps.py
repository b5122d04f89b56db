"""Django application of the decisions."""

from django.apps import AppConfig


class SchedulingConfig(AppConfig):
    default_auto_field = "django.db.models.BigAutoField"
    name = "scheduling"

    def ready(self) -> None:
        """Listen to changes of the facts."""
        from scheduling import receivers  # noqa: F401 - the models exist only now
