"""Plain tables of the facts for whoever looks after the installation."""

# The classes of the admin take no type arguments when the program runs.
# mypy: disable-error-code="type-arg"

from __future__ import annotations

from typing import Any

from django.contrib import admin, messages
from django.contrib.auth import get_user_model
from django.contrib.auth.admin import UserAdmin
from django.db.models import Model
from django.http import HttpRequest
from django.utils import timezone

from fleet import intake, models
from fleet.doors import members
from fleet.putting_away import put_away, site_of
from fleet.refusal import Refused
from fleet.signals import tell_facts_changed


class Removable(admin.ModelAdmin):
    """Rows that are put away when they are removed, and can be brought back for thirty days."""

    def delete_model(self, request: HttpRequest, obj: Any) -> None:
        """Remove one."""
        self._remove_each(request, [obj])

    def delete_queryset(self, request: HttpRequest, queryset: Any) -> None:
        """Remove several, each by itself."""
        self._remove_each(request, list(queryset))

    def remove(self, row: Any) -> None:
        """Put a row away."""
        put_away([row], timezone.now())

    def _remove_each(self, request: HttpRequest, rows: list[Any]) -> None:
        for row in rows:
            try:
                self.remove(row)
            except Refused as refused:
                messages.error(request, str(refused))


class FactAdmin(Removable):
    """Of facts that go into forecasts: whatever is typed in here may reach anything of its site."""

    def log_addition(self, request: HttpRequest, obj: Any, message: Any) -> Any:
        tell_facts_changed(site_of(obj))
        return super().log_addition(request, obj, message)

    def log_change(self, request: HttpRequest, obj: Any, message: Any) -> Any:
        tell_facts_changed(site_of(obj))
        return super().log_change(request, obj, message)


User = get_user_model()
admin.site.unregister(User)


@admin.register(User)
class AccountAdmin(UserAdmin):
    def has_delete_permission(self, request: HttpRequest, obj: Model | None = None) -> bool:
        """An account is closed on the page of personal data, which keeps what it did."""
        return False


@admin.register(models.Site)
class SiteAdmin(FactAdmin):
    list_display = ("name", "time_zone", "currency", "reserve_hours")
    ordering = ("name",)
    search_fields = ("name",)

    def has_delete_permission(self, request: HttpRequest, obj: Model | None = None) -> bool:
        """A site is years of measurements and is never removed by a click."""
        return False


@admin.register(models.Membership)
class MembershipAdmin(Removable):
    list_display = ("user", "site", "role")
    list_filter = ("site", "role")
    list_select_related = ("user", "site")

    def remove(self, row: Any) -> None:
        """End a membership as its site's members page does: letters stop, and one administrator stays."""
        members.end(row, timezone.now())


@admin.register(models.Person)
class PersonAdmin(FactAdmin):
    list_display = ("name", "site", "role", "hours_per_week", "by_contract")
    list_filter = ("site", "role")
    list_select_related = ("site",)
    search_fields = ("name",)


@admin.register(models.Absence)
class AbsenceAdmin(FactAdmin):
    list_display = ("person", "first_day", "last_day")
    list_select_related = ("person",)


@admin.register(models.Term)
class TermAdmin(FactAdmin):
    list_display = ("name", "site", "first_day", "last_day", "weight_factor", "playing_factor")
    list_filter = ("site",)
    list_select_related = ("site",)


@admin.register(models.Room)
class RoomAdmin(FactAdmin):
    list_display = ("name", "building", "use", "site")
    list_filter = ("site",)
    list_select_related = ("site",)
    search_fields = ("name",)


@admin.register(models.Sensor)
class SensorAdmin(FactAdmin):
    list_display = ("name", "room", "first_day", "last_day", "humidity_slope", "humidity_offset")
    list_filter = ("site",)
    list_select_related = ("room",)

    def save_model(self, request: HttpRequest, obj: Model, form: Any, change: bool) -> None:
        """Store the sensor and rebuild the days of the rooms it stands in and stood in."""
        before = models.Sensor.objects.filter(pk=obj.pk).values_list("room", flat=True).first()
        super().save_model(request, obj, form, change)
        _rebuild({before, obj.room_id})  # type: ignore[attr-defined]


def _rebuild(rooms: set[int | None]) -> None:
    """Rebuild the days of rooms whose humidity is read differently now."""
    for room in models.Room.objects.filter(pk__in=[room for room in rooms if room]).select_related("site"):
        intake.rebuild_days(room)


class OnlyRead(admin.ModelAdmin):
    """Rows that are shown here and written where their history is kept."""

    def has_add_permission(self, request: HttpRequest) -> bool:
        """Nothing is typed in here."""
        return False

    def has_change_permission(self, request: HttpRequest, obj: Model | None = None) -> bool:
        """Nothing is changed here without a trace."""
        return False

    def has_delete_permission(self, request: HttpRequest, obj: Model | None = None) -> bool:
        """Nothing is lost here."""
        return False


@admin.register(models.ClimateDay)
class ClimateDayAdmin(OnlyRead):
    list_display = ("room", "date", "readings", "doubtful", "hours_covered", "temp_c_mean", "rh_mean")
    list_filter = ("room__site",)
    list_select_related = ("room",)
    date_hierarchy = "date"


@admin.register(models.InstrumentKind)
class InstrumentKindAdmin(FactAdmin):
    list_display = ("kind", "behaves_like", "site")
    list_filter = ("site",)
    list_select_related = ("site",)


@admin.register(models.Instrument)
class InstrumentAdmin(FactAdmin):
    list_display = ("tag", "kind", "room", "use_class", "year_built", "retired_on")
    list_filter = ("site", "kind", "use_class")
    list_select_related = ("room",)
    search_fields = ("tag", "maker", "model", "serial")


@admin.register(models.Placement)
class PlacementAdmin(FactAdmin):
    list_display = ("instrument", "room", "first_day", "last_day")
    list_filter = ("instrument__site",)
    list_select_related = ("instrument", "room")


class ServiceRuleInline(admin.TabularInline):
    model = models.ServiceRule
    extra = 0


@admin.register(models.ServiceKind)
class ServiceKindAdmin(FactAdmin):
    list_display = ("kind", "unit", "position", "site")
    list_filter = ("site",)
    list_select_related = ("site",)
    inlines = (ServiceRuleInline,)


@admin.register(models.Service)
class ServiceAdmin(OnlyRead):
    list_display = ("instrument", "kind", "date", "found", "left", "technician")
    list_filter = ("instrument__site", "kind")
    list_select_related = ("instrument",)
    date_hierarchy = "date"


@admin.register(models.RecordChange)
class RecordChangeAdmin(OnlyRead):
    list_display = ("instrument", "kind", "what", "by", "at", "by_letter")
    list_filter = ("instrument__site", "what")
    list_select_related = ("instrument",)
    date_hierarchy = "at"


@admin.register(models.WorksheetLine)
class WorksheetLineAdmin(OnlyRead):
    list_display = ("instrument", "kind", "date", "point", "condition", "quantity", "before", "after", "unit")
    list_filter = ("instrument__site", "kind")
    list_select_related = ("instrument",)


@admin.register(models.Booking)
class BookingAdmin(FactAdmin):
    list_display = ("title", "room", "starts_at", "ends_at", "performance")
    list_filter = ("site", "performance")
    list_select_related = ("room",)
    date_hierarchy = "starts_at"
    raw_id_fields = ("instruments",)


@admin.register(models.NoteRequest)
class NoteRequestAdmin(OnlyRead):
    list_display = ("instrument", "symptom", "notes", "made_at", "state")
    list_filter = ("instrument__site", "state")
    list_select_related = ("instrument",)


@admin.register(models.HeldVisit)
class HeldVisitAdmin(FactAdmin):
    list_display = ("instrument", "kind", "week")
    list_filter = ("instrument__site", "kind")
    list_select_related = ("instrument",)


@admin.register(models.WayIn)
class WayInAdmin(OnlyRead):
    """A secret is shown once, on the page that makes it, and revoked there."""

    list_display = ("name", "site", "room", "made_at", "last_used_at", "readings_taken", "revoked_at")
    list_filter = ("site",)
    list_select_related = ("site", "room")


@admin.register(models.ReadingsUpload)
class ReadingsUploadAdmin(OnlyRead):
    list_display = ("file_name", "site", "room", "made_at", "state", "new", "changed", "same")
    list_filter = ("site", "state")
    list_select_related = ("site", "room")


@admin.register(models.FactHistory)
class FactHistoryAdmin(OnlyRead):
    list_display = ("subject", "name", "what", "by", "way", "at")
    list_filter = ("site", "subject", "what", "way")
    date_hierarchy = "at"


@admin.register(models.PutAway)
class PutAwayAdmin(OnlyRead):
    list_display = ("subject", "name", "site", "by", "at")
    list_filter = ("site", "subject")
    exclude = ("rows", "pointed")
