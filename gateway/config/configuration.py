"""The configuration as the rest of the gateway gets it: checked, complete, frozen."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

from gateway.board.settings import BoardSettings
from gateway.channels.webhook import WebhookSettings
from gateway.config.report import Problem
from gateway.intake import BrokerSettings
from gateway.mail.smtp import MailSettings
from gateway.records_place import RecordsPlace
from gateway.reports.settings import ReportSettings
from gateway.sparkplug_settings import SparkplugSettings
from gateway.telemetry.settings import StoreSettings
from gateway.tickets.life import LifeSettings
from gateway.tickets.routing import Routing
from gateway.visits.settings import VisitSettings
from gateway.watching.settings import WatchSettings
from rules.equipment import Overrides, OwnRule, Site

__all__ = ["Configuration"]


@dataclass(frozen=True)
class Configuration:
    """All that the files of one configuration directory say.

    ``settings`` are the fleet-wide overrides by fault slug and name; those of a site or a unit
    stay with it; so it is with own ``rules``. ``journal_budget_mb`` is in megabytes (10⁶ bytes).
    ``warnings`` are problems that did not stop it.
    """

    directory: Path
    name: str
    from_name: str
    sites: tuple[Site, ...]
    settings: Overrides
    broker: BrokerSettings
    store: StoreSettings
    mail: MailSettings
    journal_budget_mb: int
    routing: Routing
    rules: tuple[OwnRule, ...] = ()
    records: RecordsPlace = field(default_factory=RecordsPlace)
    watch: WatchSettings = field(default_factory=WatchSettings)
    life: LifeSettings = field(default_factory=LifeSettings)
    sparkplug: SparkplugSettings = field(default_factory=SparkplugSettings)
    webhooks: Mapping[str, WebhookSettings] = field(default_factory=dict)
    reports: ReportSettings = field(default_factory=ReportSettings)
    board: BoardSettings = field(default_factory=BoardSettings)
    visits: VisitSettings = field(default_factory=VisitSettings)
    warnings: tuple[Problem, ...] = ()
