"""The model of ``fleet.toml``: what keys there are and what they may hold.

Site files are modelled in :mod:`rules.equipment`, ``oncall.toml`` in :mod:`gateway.config.oncall`.
Secrets have no key here: a file names the environment variable or the file that holds one.
"""

from __future__ import annotations

from datetime import time
from typing import Annotated, Literal, Self

from pydantic import BaseModel, ConfigDict, Field, model_validator

from gateway.board.settings import BoardSettings
from gateway.mail.smtp import MailSettings
from gateway.reports.settings import ReportSettings
from gateway.sparkplug_settings import SparkplugSettings
from gateway.telemetry.settings import StoreSettings
from gateway.tickets.life import LifeSettings
from gateway.tickets.notice import Recipient
from gateway.watching.settings import WatchSettings
from rules.equipment import EMail, Overrides, OwnRule, Text, TimeZoneName

__all__ = [
    "BoardTable",
    "BrokerTable",
    "FleetFile",
    "FleetTable",
    "JournalTable",
    "MailTable",
    "RecordsTable",
    "ReportsTable",
    "SparkplugTable",
    "StoreTable",
    "TicketsTable",
    "TlsTable",
    "WatchTable",
]

HostName = Annotated[str, Field(pattern=r"^[A-Za-z0-9.:_%-]+$", max_length=253)]
Port = Annotated[int, Field(ge=1, le=65535)]
VariableName = Annotated[str, Field(pattern=r"^[A-Za-z_][A-Za-z0-9_]*$", max_length=200)]
FilePath = Annotated[str, Field(min_length=1, max_length=4096)]


class _Model(BaseModel):
    """Frozen, and an unknown key is a fault: a misspelt setting must not be silently ignored."""

    model_config = ConfigDict(frozen=True, extra="forbid", str_strip_whitespace=True)


class FleetTable(_Model):
    """Who watches: shown on the board and as the sender's name of mail."""

    name: Text
    from_name: Text = "basinward"


class TlsTable(_Model):
    """Encryption to the broker. ``ca_file`` empty: the system's own authorities."""

    ca_file: FilePath | None = None
    certificate_file: FilePath | None = None
    key_file: FilePath | None = None

    @model_validator(mode="after")
    def _certificate_with_key(self) -> Self:
        if (self.certificate_file is None) != (self.key_file is None):
            msg = "certificate_file and key_file go together: name both or neither"
            raise ValueError(msg)
        return self


class BrokerTable(_Model):
    """The MQTT broker."""

    host: HostName
    port: Port | None = Field(default=None, description="1883, or 8883 with TLS, where not given")
    client_id: Annotated[str, Field(pattern=r"^[A-Za-z0-9_-]{1,64}$")] = "basinward"
    protocol: Literal["3.1.1", "5"] = "3.1.1"
    keep_alive_s: int = Field(default=60, ge=5, le=3600)
    username: Text | None = None
    password_env: VariableName | None = None
    password_file: FilePath | None = None
    tls: TlsTable | None = None


class StoreTable(_Model):
    """Where samples are kept: the embedded store, or an InfluxDB server."""

    kind: Literal["embedded", "influxdb"] = "embedded"
    retention_days: int = Field(default=StoreSettings.retention_days, ge=1, le=3650)
    rollup_retention_days: int = Field(default=StoreSettings.rollup_retention_days, ge=1, le=36500)
    url: Annotated[str, Field(pattern=r"^https?://[^\s/@]+(/\S*)?$", max_length=500)] | None = None
    org: Text | None = None
    bucket: Text | None = None
    token_env: VariableName | None = None
    token_file: FilePath | None = None

    @model_validator(mode="after")
    def _rollups_outlive_samples(self) -> Self:
        if self.rollup_retention_days < self.retention_days:
            msg = (
                f"rollup_retention_days ({self.rollup_retention_days}) is shorter than "
                f"retention_days ({self.retention_days}): the 5-minute figures must outlive the "
                "samples they stand for"
            )
            raise ValueError(msg)
        return self

    @model_validator(mode="after")
    def _server_named(self) -> Self:
        if self.kind == "influxdb":
            absent = [key for key in ("url", "bucket") if getattr(self, key) is None]
            if absent:
                msg = f"kind = 'influxdb' also needs {' and '.join(absent)}"
                raise ValueError(msg)
        return self


class RecordsTable(_Model):
    """Where alarms, tickets and mails are kept, if not in a file in the data directory."""

    url: Annotated[
        str, Field(pattern=r"^postgresql(\+psycopg)?://[^\s@]+/[^\s@/]+$", max_length=500)
    ]
    username: Text | None = None
    password_env: VariableName | None = None
    password_file: FilePath | None = None


class SparkplugTable(_Model):
    """Edge nodes that speak Sparkplug B."""

    request_rebirth: bool = Field(
        default=SparkplugSettings.request_rebirth,
        description="whether edge nodes may be asked to send their births again",
    )
    reorder_wait_s: float = Field(
        default=SparkplugSettings.reorder_wait_s, ge=0.1, le=300,
        description="how long a message that is out of order waits for those before it",
    )  # fmt: skip


class JournalTable(_Model):
    """How much disk the journal may take before an alarm says so."""

    budget_mb: int = Field(default=2000, ge=50, le=1_000_000)


class MailTable(_Model):
    """The mail server that tickets go out through."""

    host: HostName
    port: Port | None = Field(
        default=None, description="25, 587 with starttls, 465 with tls, where not given"
    )
    security: Literal["none", "starttls", "tls"] = "starttls"
    username: Text | None = None
    password_env: VariableName | None = None
    password_file: FilePath | None = None
    ca_file: FilePath | None = None
    from_address: EMail
    reply_to: EMail | None = None
    hourly_limit: int = Field(
        default=MailSettings.hourly_limit, ge=1, le=10_000,
        description="messages an hour to one address; what is beyond waits and is listed",
    )  # fmt: skip


class WatchTable(_Model):
    """How the gateway watches itself: where it answers, whom it tells, and its limits."""

    serve: bool = WatchSettings.serve
    address: HostName = WatchSettings.address
    port: Port = WatchSettings.port
    operators: Annotated[tuple[EMail, ...], Field(max_length=50)] = WatchSettings.operators
    syslog_host: HostName | None = None
    syslog_port: Port = WatchSettings.syslog_port
    broker_away_s: float = Field(default=WatchSettings.broker_away_s, ge=1, le=86_400)
    journal_away_s: float = Field(default=WatchSettings.journal_away_s, ge=1, le=86_400)
    rules_behind_s: float = Field(default=WatchSettings.rules_behind_s, ge=10, le=86_400)
    store_behind_s: float = Field(default=WatchSettings.store_behind_s, ge=10, le=604_800)
    behind_frames: int = Field(default=WatchSettings.behind_frames, ge=1000, le=1_000_000_000)
    mail_waiting_s: float = Field(default=WatchSettings.mail_waiting_s, ge=60, le=604_800)
    all_silent_s: float = Field(default=WatchSettings.all_silent_s, ge=10, le=86_400)
    refused_pct: float = Field(default=WatchSettings.refused_pct, ge=1, le=100)
    clock_step_s: float = Field(default=WatchSettings.clock_step_s, ge=1, le=86_400)
    stuck_after_s: float = Field(default=WatchSettings.stuck_after_s, ge=5, le=3600)
    calm_s: float = Field(default=WatchSettings.calm_s, ge=1, le=86_400)


_LIFE = LifeSettings()


class TicketsTable(_Model):
    """How the data judge a repair, see :class:`gateway.tickets.life.LifeSettings`."""

    hand_back_s: float = Field(default=_LIFE.hand_back_ms / 1000, ge=60, le=86_400)
    verify_s: float = Field(default=_LIFE.verify_ms / 1000, ge=300, le=2_592_000)
    reopen_within_s: float = Field(default=_LIFE.reopen_within_ms / 1000, ge=0, le=7_776_000)

    def settings(self) -> LifeSettings:
        """The same in milliseconds."""
        return LifeSettings(
            hand_back_ms=round(self.hand_back_s * 1000),
            verify_ms=round(self.verify_s * 1000),
            reopen_within_ms=round(self.reopen_within_s * 1000),
        )


class BoardTable(_Model):
    """The web pages: where they are served, how people reach them, how long mails' links hold."""

    address: HostName = BoardSettings.address
    port: Port = BoardSettings.port
    public_url: (
        Annotated[str, Field(pattern=r"^https?://[^\s/@?#]+(/[^\s?#]*)?$", max_length=100)] | None
    ) = None
    link_hours: int = Field(default=BoardSettings.link_hours, ge=1, le=720)
    secret_env: VariableName | None = None
    secret_file: FilePath | None = None
    session_idle_minutes: int = Field(default=BoardSettings.session_idle_minutes, ge=5, le=43_200)
    session_hours: int = Field(default=BoardSettings.session_hours, ge=1, le=720)
    sign_on_header: (
        Annotated[str, Field(pattern=r"^[A-Za-z][A-Za-z0-9-]*$", max_length=100)] | None
    ) = None
    sign_on_from: Annotated[tuple[HostName, ...], Field(max_length=100)] = ()


class ReportsTable(_Model):
    """The monthly reports: to whom and when they go out, and the prices they count with."""

    to: Annotated[tuple[EMail, ...], Field(max_length=50)] = Field(
        default=(), description="who gets the fleet's report"
    )
    to_planners: bool = Field(
        default=ReportSettings.to_planners,
        description="whether each team's planner gets the reports of its sites",
    )
    day: int = Field(
        default=ReportSettings.day, ge=1, le=28,
        description="day of the month after; latecomers have two days with the default",
    )  # fmt: skip
    at: time = ReportSettings.at
    time_zone: TimeZoneName = ReportSettings.time_zone
    currency: Annotated[str, Field(pattern=r"^[A-Z]{3}$")] | None = Field(
        default=None, description="code of ISO 4217, for the prices"
    )
    water_price_per_m3: float = Field(default=0.0, ge=0, le=10_000)
    energy_price_per_kwh: float = Field(default=0.0, ge=0, le=1_000)

    @model_validator(mode="after")
    def _prices_have_a_currency(self) -> Self:
        if (self.water_price_per_m3 or self.energy_price_per_kwh) and self.currency is None:
            msg = "prices need a currency: write for instance currency = 'EUR'"
            raise ValueError(msg)
        return self

    def settings(self) -> ReportSettings:
        """As the reports know them."""
        return ReportSettings(
            is_on=True,
            to=tuple(Recipient("", address) for address in self.to),
            to_planners=self.to_planners,
            day=self.day,
            at=self.at,
            time_zone=self.time_zone,
            currency=self.currency or "",
            water_price_per_m3=self.water_price_per_m3,
            energy_price_per_kwh=self.energy_price_per_kwh,
        )


class FleetFile(_Model):
    """``fleet.toml``: the fleet, its servers, and settings that hold for every site."""

    fleet: FleetTable
    broker: BrokerTable
    store: StoreTable = StoreTable()
    records: RecordsTable | None = None
    journal: JournalTable = JournalTable()
    sparkplug: SparkplugTable = SparkplugTable()
    mail: MailTable
    watch: WatchTable = WatchTable()
    tickets: TicketsTable = TicketsTable()
    board: BoardTable = BoardTable()
    reports: ReportsTable | None = None
    settings: Overrides = {}
    rules: Annotated[tuple[OwnRule, ...], Field(max_length=100)] = ()
