"""Forecasts as rows, the runs they came from, and how good they would have been."""

from __future__ import annotations

from django.db import models
from django.db.models import Q
from django.utils.translation import gettext_lazy as _

from fleet.access import SiteQuerySet
from fleet.models import Instrument, Site
from scheduling.saying import SaidJSONField


class ForecastRun(models.Model):
    """One computation of a site's forecasts: what went in, with which seed and which version of the code."""

    site = models.ForeignKey(Site, models.CASCADE, related_name="forecast_runs")
    made_at = models.DateTimeField()
    today = models.DateField(help_text="the day the forecast was made for, on the site's wall")
    horizon_days = models.PositiveIntegerField()
    input_hash = models.CharField(max_length=64)
    seed = models.PositiveBigIntegerField()
    code_version = models.CharField(max_length=40)
    since = models.PositiveIntegerField(
        null=True, help_text="first day that mattered to any instrument, counted from the year 1"
    )
    part_of = models.ForeignKey(
        "self",
        models.CASCADE,
        null=True,
        related_name="parts",
        help_text="the run of the whole site whose experience was used, where only some were computed",
    )

    objects = SiteQuerySet.as_manager()
    site_path = "site"

    class Meta:
        ordering = ["-made_at"]
        constraints = [
            models.UniqueConstraint(
                fields=["site", "today", "horizon_days", "input_hash", "seed", "code_version"],
                name="forecast_run_once_per_input",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.site} as of {self.today}"


class ForecastState(models.TextChoices):
    """How an instrument stands in one kind of service, in words."""

    IN_TOLERANCE = "in_tolerance", _("in tolerance")
    LEAVING_SOON = "leaving_soon", _("leaving soon")
    OUT = "out", _("out of tolerance")


class Forecast(models.Model):
    """The current forecast of one kind of service of one instrument."""

    run = models.ForeignKey(ForecastRun, models.CASCADE, related_name="forecasts")
    instrument = models.ForeignKey(Instrument, models.CASCADE, related_name="forecasts")
    kind = models.CharField(max_length=40)
    unit = models.CharField(max_length=16)
    tolerance = models.FloatField()
    last_service = models.DateField(null=True)
    state = models.CharField(max_length=16, choices=ForecastState.choices)
    out_now = models.FloatField(help_text="probability of being out of tolerance today, a fraction")
    due_early = models.DateField(null=True, help_text="first day out, 10 %")
    due_middle = models.DateField(null=True, help_text="first day out, 50 %", db_index=True)
    due_late = models.DateField(null=True, help_text="first day out, 90 %")
    weekly = models.JSONField(help_text="rows of [date, probability out, mean, sd] on Mondays")
    drivers = SaidJSONField(help_text="list of name, share, words")
    learned_from = models.PositiveIntegerField(default=0)
    mostly_prior = models.BooleanField(default=True)
    sensitivities = models.JSONField(
        default=list, help_text="rows of [name, mean, sd, usual mean, usual sd], units as in the engine"
    )
    digest = models.CharField(max_length=64, blank=True, help_text="of all that this forecast was made from")
    others = models.JSONField(
        default=dict, help_text="by kind: what instruments alike had said when the whole site was computed"
    )

    objects = SiteQuerySet.as_manager()
    site_path = "instrument__site"

    class Meta:
        ordering = ["due_middle"]
        constraints = [
            models.UniqueConstraint(fields=["instrument", "kind"], name="forecast_once"),
            models.CheckConstraint(condition=Q(out_now__gte=0, out_now__lte=1), name="forecast_probability"),
            models.CheckConstraint(condition=Q(state__in=ForecastState.values), name="forecast_state_known"),
        ]

    def __str__(self) -> str:
        return f"{self.kind} of {self.instrument}: {self.get_state_display()}"


class Backtest(models.Model):
    """How good a site's forecasts would have been, asked for by a person and computed when its turn comes."""

    class State(models.TextChoices):
        """How far it has come."""

        WAITING = "waiting", _("waiting")
        RUNNING = "running", _("being computed")
        DONE = "done", _("done")
        REFUSED = "refused", _("could not be computed")

    site = models.ForeignKey(Site, models.CASCADE, related_name="backtests")
    today = models.DateField(help_text="records after this day were not looked at")
    folds = models.PositiveSmallIntegerField()
    asked_at = models.DateTimeField()
    made_at = models.DateTimeField(null=True)
    state = models.CharField(max_length=16, choices=State.choices, default=State.WAITING)
    folds_done = models.PositiveSmallIntegerField(default=0)
    code_version = models.CharField(max_length=40, blank=True)
    scores = models.JSONField(default=dict, help_text="the document of the command, empty until done")
    trouble = models.TextField(blank=True, help_text="why it could not be computed")

    objects = SiteQuerySet.as_manager()
    site_path = "site"

    class Meta:
        ordering = ["-asked_at", "-pk"]
        constraints = [
            models.CheckConstraint(
                condition=~Q(state="done") | Q(made_at__isnull=False), name="backtest_done_has_time"
            ),
        ]

    def __str__(self) -> str:
        return f"{self.site} in {self.folds} folds: {self.get_state_display()}"
