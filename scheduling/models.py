"""Forecasts, plans and letters as rows."""

from __future__ import annotations

from django.db import models
from django.db.models import Q

from fleet.access import SiteQuerySet
from fleet.models import Instrument, Person, Site


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

    IN_TOLERANCE = "in_tolerance", "in tolerance"
    LEAVING_SOON = "leaving_soon", "leaving soon"
    OUT = "out", "out of tolerance"


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
    drivers = models.JSONField(help_text="list of name, share, words")
    learned_from = models.PositiveIntegerField(default=0)
    mostly_prior = models.BooleanField(default=True)
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

        WAITING = "waiting", "waiting"
        RUNNING = "running", "being computed"
        DONE = "done", "done"
        REFUSED = "refused", "could not be computed"

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


class SeasonPlan(models.Model):
    """A plan of a season's weeks, drafted by the planner and approved by a person."""

    class State(models.TextChoices):
        """Whether people work by it."""

        DRAFT = "draft", "draft"
        APPROVED = "approved", "approved"

    site = models.ForeignKey(Site, models.CASCADE, related_name="season_plans")
    start = models.DateField(help_text="Monday of the first week")
    weeks = models.PositiveSmallIntegerField()
    state = models.CharField(max_length=16, choices=State.choices, default=State.DRAFT)
    made_at = models.DateTimeField()
    approved_at = models.DateTimeField(null=True, blank=True)
    run = models.ForeignKey(ForecastRun, models.SET_NULL, null=True, related_name="plans")
    rules = models.CharField(max_length=8, default="all")
    outcome = models.CharField(max_length=16)
    cost = models.FloatField(help_text="expected weighted instrument-days out of tolerance")
    bound = models.FloatField()
    gap = models.FloatField()
    seconds = models.FloatField()
    hours_offered = models.JSONField()
    hours_used = models.JSONField()
    hour_worth = models.JSONField()
    calendar_cost = models.FloatField(null=True, help_text="what the calendar rule gives at the same hours")
    notes = models.JSONField(
        default=list, blank=True, help_text="sentences on what could not be planned as asked"
    )

    objects = SiteQuerySet.as_manager()
    site_path = "site"

    class Meta:
        ordering = ["-made_at"]
        constraints = [
            models.CheckConstraint(condition=Q(start__iso_week_day=1), name="season_plan_on_monday"),
        ]

    def __str__(self) -> str:
        return f"{self.site}: {self.weeks} weeks from {self.start} ({self.state})"


class PlannedVisit(models.Model):
    """A service that a plan foresees in a week; not a fact."""

    plan = models.ForeignKey(SeasonPlan, models.CASCADE, related_name="visits")
    instrument = models.ForeignKey(Instrument, models.CASCADE, related_name="planned_visits")
    kind = models.CharField(max_length=40)
    week = models.DateField(help_text="Monday of the week")
    hours = models.FloatField()
    technician = models.ForeignKey(Person, models.SET_NULL, null=True, related_name="planned_visits")
    reason = models.TextField()
    held = models.BooleanField(default=False)

    objects = SiteQuerySet.as_manager()
    site_path = "plan__site"

    class Meta:
        ordering = ["week", "instrument__room__name", "instrument__tag", "kind"]
        indexes = [models.Index(fields=["plan", "week"], name="visit_by_week")]
        constraints = [
            models.UniqueConstraint(fields=["plan", "instrument", "kind", "week"], name="visit_once_a_week"),
            models.CheckConstraint(condition=Q(hours__gt=0), name="visit_hours_positive"),
        ]

    def __str__(self) -> str:
        return f"{self.kind} of {self.instrument} in the week of {self.week}"


class PutOff(models.Model):
    """A service that a plan does not foresee, and what that costs."""

    plan = models.ForeignKey(SeasonPlan, models.CASCADE, related_name="put_off")
    instrument = models.ForeignKey(Instrument, models.CASCADE, related_name="put_off")
    kind = models.CharField(max_length=40)
    reason = models.TextField()
    expected_days_out = models.FloatField()
    cost = models.FloatField(help_text="expected weighted days out of tolerance")

    objects = SiteQuerySet.as_manager()
    site_path = "plan__site"

    class Meta:
        ordering = ["-cost"]
        constraints = [
            models.UniqueConstraint(fields=["plan", "instrument", "kind"], name="put_off_once"),
        ]

    def __str__(self) -> str:
        return f"{self.kind} of {self.instrument} put off"


class Letter(models.Model):
    """An outgoing letter: a row first, frozen, sent at most once per person, kind and week."""

    class State(models.TextChoices):
        """How far the letter has come."""

        DUE = "due", "due"
        SENDING = "sending", "sending"
        SENT = "sent", "sent"
        REFUSED = "refused", "refused"
        UNKNOWN = "unknown", "unknown"

    person = models.ForeignKey(Person, models.CASCADE, related_name="letters")
    kind = models.CharField(max_length=24, default="due_work")
    iso_year = models.PositiveSmallIntegerField()
    iso_week = models.PositiveSmallIntegerField()
    to = models.EmailField()
    subject = models.CharField(max_length=255)
    text = models.TextField()
    html = models.TextField()
    items = models.JSONField(default=list)
    message_id = models.CharField(max_length=255, unique=True)
    state = models.CharField(max_length=16, choices=State.choices, default=State.DUE)
    made_at = models.DateTimeField()
    attempts = models.PositiveIntegerField(default=0)
    next_try_at = models.DateTimeField()
    lease = models.CharField(max_length=64, blank=True)
    lease_until = models.DateTimeField(null=True)
    sent_at = models.DateTimeField(null=True)
    trouble = models.TextField(blank=True, help_text="what the mail server said last")

    objects = SiteQuerySet.as_manager()
    site_path = "person__site"

    class Meta:
        ordering = ["-made_at"]
        indexes = [models.Index(fields=["state", "next_try_at"], name="letter_due")]
        constraints = [
            models.UniqueConstraint(
                fields=["person", "kind", "iso_year", "iso_week"], name="letter_once_a_week"
            ),
            models.CheckConstraint(
                condition=Q(iso_week__gte=1, iso_week__lte=53), name="letter_week_possible"
            ),
            models.CheckConstraint(
                condition=~Q(state="sent") | Q(sent_at__isnull=False), name="letter_sent_has_time"
            ),
            models.CheckConstraint(
                condition=~Q(state="sending") | (Q(lease_until__isnull=False) & ~Q(lease="")),
                name="letter_sending_has_lease",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.kind} to {self.to}, {self.iso_year}-W{self.iso_week:02d}: {self.state}"


class Heartbeat(models.Model):
    """When a periodic job last ran; read by the health page."""

    name = models.CharField(max_length=40, unique=True)
    at = models.DateTimeField()

    def __str__(self) -> str:
        return f"{self.name} at {self.at}"
