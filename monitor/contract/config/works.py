"""The file of a works: broker, store, pages, shifts, and limits on messages."""

from datetime import time
from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from monitor.contract.config.base import Name, Positive, Settings, refuse, repeated


class Broker(Settings):
    """Address of the broker. Never write a password in this file: name a file or a variable."""

    url: Annotated[str, Field(pattern=r"^mqtts?://[^/@\s]+$")] = "mqtt://127.0.0.1:18831"
    user: str | None = None
    password_file: str | None = None
    password_variable: str | None = None
    ca_file: str | None = None
    session_expiry_s: Annotated[int, Field(ge=0)] = 7 * 86400
    receive_maximum: Annotated[int, Field(ge=1, le=65535)] = 200


class Store(Settings):
    """Location of the record: a folder for SQLite and Parquet, or a database address and a folder."""

    folder: str = ".run/store"
    database_url: str | None = None
    raw_hours_in_database: Positive = 2.0


class Dashboard(Settings):
    """Address and other host names of the pages; any address but loopback requires accounts."""

    host: str = "127.0.0.1"
    port: Annotated[int, Field(ge=1, le=65535)] = 18850
    names: list[str] = []
    accounts_file: str = ".run/accounts.json"
    collector_token_file: str | None = None
    behind_tls: bool = False


class WireLimits(Settings):
    """Limits of size and age beyond which a message is not data."""

    payload_bytes_max: Annotated[int, Field(gt=0)] = 262_144
    block_samples_max: Annotated[int, Field(gt=0)] = 20_000
    ahead_max_s: Positive = 5.0
    behind_max_s: Positive = 7 * 86400.0


class Shift(Settings):
    """One shift of the day by the works' own clock; it lasts until the next one begins."""

    name: Annotated[str, Field(min_length=1, max_length=40)]
    begins: time


class AlarmFigureSettings(Settings):
    """Thresholds of the alarm figures.

    Defaults by ISA-18.2, IEC 62682 and EEMUA 191: one alarm in 10 min acceptable, two manageable, and not more than
    ten in the first 10 min of an upset (seen); floods, chattering, stale and the split of priorities (from memory).
    """

    operator_positions: Annotated[int, Field(ge=1)] = 1
    window_s: Positive = 600.0
    acceptable_per_window: Positive = 1.0
    manageable_per_window: Positive = 2.0
    flood_begins: Annotated[int, Field(ge=1)] = 10
    flood_wants_more: bool = False
    flood_ends: Annotated[int, Field(ge=1)] = 5
    chatter_count: Annotated[int, Field(ge=2)] = 3
    chatter_s: Positive = 60.0
    fleeting_s: Positive = 10.0
    stale_h: Positive = 24.0
    low_share: Positive = 0.8
    medium_share: Positive = 0.15
    high_share: Positive = 0.05

    @model_validator(mode="after")
    def _sound(self) -> Self:
        if self.flood_ends > self.flood_begins:
            raise ValueError(f"flood_ends {self.flood_ends} must not be more than flood_begins {self.flood_begins}")
        return self


class Contact(Settings):
    """Who is notified of unacknowledged alarms, by the addresses in a file or a variable, one address a line.

    `step` 0 is notified first, each further one when nobody has responded for the alarm's time to respond. Lines and
    shifts are all of them where none is named.
    """

    name: Annotated[str, Field(min_length=1, max_length=40)]
    address_file: str | None = None
    address_variable: str | None = None
    lines: list[Name] = []
    priorities: Annotated[list[Literal["low", "medium", "high"]], Field(min_length=1)] = ["high"]
    shifts: list[str] = []
    step: Annotated[int, Field(ge=0, le=9)] = 0

    @model_validator(mode="after")
    def _one_source(self) -> Self:
        if (self.address_file is None) == (self.address_variable is None):
            raise ValueError(f"contact {self.name}: expected address_file or address_variable, one of them")
        return self


class Works(Settings):
    """The site."""

    works: Name
    title: str
    time_zone: str
    broker: Broker = Broker()
    store: Store = Store()
    dashboard: Dashboard = Dashboard()
    wire: WireLimits = WireLimits()
    shift: list[Shift] = []
    alarm_figures: AlarmFigureSettings = AlarmFigureSettings()
    contact: list[Contact] = []

    @model_validator(mode="after")
    def _names_fit(self) -> Self:
        problems = [*repeated("shift", [s.name for s in self.shift])]
        problems += repeated("contact", [c.name for c in self.contact])
        known = {shift.name for shift in self.shift}
        problems += [
            f"contact {c.name}: there is no shift {name}; there are {', '.join(sorted(known)) or 'none'}"
            for c in self.contact
            for name in c.shifts
            if name not in known
        ]
        problems += repeated("shift.begins", [s.begins.isoformat() for s in self.shift])
        refuse(problems)
        return self
