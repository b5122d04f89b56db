"""Django application of the facts."""

from django.apps import AppConfig


class FleetConfig(AppConfig):
    default_auto_field = "django.db.models.BigAutoField"
    name = "fleet"

    def ready(self) -> None:
        """Note changes of facts from the start."""
        from fleet import history_signals

        history_signals.listen()
