"""The facts as tables; one module per subject."""

from fleet.models.air import ClimateDay, ClimateReading, Room, Sensor
from fleet.models.arrivals import Arrival, ArrivalKind, ArrivalState
from fleet.models.calendars import BookingSource, CalendarReading
from fleet.models.changes import FactChange
from fleet.models.doors import Invitation, PasswordReset, SignIn
from fleet.models.history import FactHistory, PutAway
from fleet.models.instruments import Instrument, InstrumentKind, Placement, UseClass
from fleet.models.kept import InstrumentChange, SavedFilter
from fleet.models.records import RecordChange
from fleet.models.services import Service, ServiceKind, ServiceRule, WorksheetLine
from fleet.models.sites import Absence, DayOff, Membership, Person, Role, Site, Term
from fleet.models.uploads import LoggerFormat, ReadingsUpload, UploadState
from fleet.models.ways_in import WayIn
from fleet.models.wishes import (
    Booking,
    HeldVisit,
    NoteRequest,
    PublicPost,
    RequestChange,
    RequestState,
)

__all__ = [
    "Arrival",
    "ArrivalKind",
    "ArrivalState",
    "Absence",
    "Booking",
    "BookingSource",
    "CalendarReading",
    "ClimateDay",
    "ClimateReading",
    "DayOff",
    "FactChange",
    "FactHistory",
    "HeldVisit",
    "Instrument",
    "InstrumentChange",
    "InstrumentKind",
    "Invitation",
    "LoggerFormat",
    "Membership",
    "NoteRequest",
    "PasswordReset",
    "Person",
    "Placement",
    "PublicPost",
    "PutAway",
    "RecordChange",
    "RequestChange",
    "ReadingsUpload",
    "RequestState",
    "Role",
    "Room",
    "SavedFilter",
    "Sensor",
    "Service",
    "ServiceKind",
    "ServiceRule",
    "SignIn",
    "Site",
    "Term",
    "UploadState",
    "UseClass",
    "WayIn",
    "WorksheetLine",
]
