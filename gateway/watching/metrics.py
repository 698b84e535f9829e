"""The gateway's figures in the OpenMetrics text format: one table, and how to write it.

Names, units and help stand in :data:`METRICS`; README's table is made from it. A figure that is not
known at the moment has no sample: it is neither 0 nor the last one known. Written by the
prometheus-client library; OpenMetrics 1.0 is the open standard that names follow: the unit ends the
name, a counter's sample ends in ``_total``.
"""

from __future__ import annotations

import platform
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from importlib import metadata
from typing import Final, Literal

from prometheus_client import CollectorRegistry, ProcessCollector, exposition
from prometheus_client.core import Metric
from prometheus_client.openmetrics import exposition as openmetrics
from prometheus_client.registry import Collector

from gateway.batch import Reason
from gateway.records.rows import OutboxState
from gateway.status import GatewayStatus, ReaderStatus
from gateway.watching.freshness import QUANTILES
from gateway.watching.step_times import BOUNDS_S

__all__ = ["METRICS", "PREFIX", "Exposition", "MetricSpec", "families", "text_format"]

PREFIX: Final = "basinward_"

_plain_format: Final[Callable[[CollectorRegistry], bytes]] = exposition.generate_latest
_open_format: Final[Callable[[CollectorRegistry], bytes]] = openmetrics.generate_latest

Kind = Literal["counter", "gauge", "info", "summary", "histogram"]
Sample = tuple[str, tuple[str, ...], float]
"""What is added to the name, the values of the labels, the value."""
Read = Callable[[GatewayStatus], Iterable[Sample]]


@dataclass(frozen=True)
class MetricSpec:
    """One metric: ``name`` without prefix but with its unit, and how it is read from a status."""

    name: str
    kind: Kind
    meaning: str
    read: Read
    unit: str = ""
    labels: tuple[str, ...] = ()

    @property
    def full_name(self) -> str:
        """As it is written."""
        return PREFIX + self.name


def _one(read: Callable[[GatewayStatus], float | None], suffix: str = "") -> Read:
    """A metric of one sample, or of none where the value is not known."""

    def samples(status: GatewayStatus) -> Iterator[Sample]:
        value = read(status)
        if value is not None:
            yield suffix, (), float(value)

    return samples


def _total(read: Callable[[GatewayStatus], float | None]) -> Read:
    return _one(read, "_total")


def _readers(read: Callable[[ReaderStatus], float], suffix: str = "") -> Read:
    """A sample for each of the journal's readers."""
    return lambda s: [
        (suffix, (name,), float(read(reader)))
        for name, reader in (("rules", s.rules), ("store", s.store))
    ]


def _refused(status: GatewayStatus) -> Iterator[Sample]:
    for reason in Reason:  # all of them, so that a rate has a beginning
        yield "_total", (reason.value,), status.rejects_by_reason.get(reason.value, 0)


def _mails(status: GatewayStatus) -> Iterator[Sample]:
    if status.outbox is not None:
        for state in OutboxState:
            yield "", (state.value,), status.outbox.by_state.get(state.value, 0)


def _mail_age_s(status: GatewayStatus) -> float | None:
    if status.outbox is None:
        return None
    oldest_ms = status.outbox.oldest_waiting_ms
    return 0.0 if oldest_ms is None else max(0, status.now_ms - oldest_ms) / 1000


def _alarms(status: GatewayStatus) -> Iterator[Sample]:
    for alarm in status.alarms or ():
        yield "", (alarm.priority, alarm.state), alarm.count


def _site_ages(status: GatewayStatus) -> Iterator[Sample]:
    for share, age_s in zip(QUANTILES, status.site_ages.quantiles_s, strict=False):
        yield "", (str(float(share)),), age_s


def _steps(status: GatewayStatus) -> Iterator[Sample]:
    steps = status.rules_steps
    for bound_s, count in zip(BOUNDS_S, steps.within, strict=True):
        yield "_bucket", (str(float(bound_s)),), count
    yield "_bucket", ("+Inf",), steps.steps
    yield "_count", (), steps.steps
    yield "_sum", (), steps.sum_s


def _build(_status: GatewayStatus) -> Iterator[Sample]:
    try:
        version = metadata.version("basinward")
    except metadata.PackageNotFoundError:
        version = "unknown"
    yield "_info", (version, platform.python_version()), 1


METRICS: Final[tuple[MetricSpec, ...]] = (
    MetricSpec(
        "messages", "counter", "Messages taken in and made durable.",
        _total(lambda s: s.messages),
    ),
    MetricSpec(
        "frames", "counter", "Frames made durable: what one message said of one unit at one time.",
        _total(lambda s: s.frames),
    ),
    MetricSpec(
        "samples", "counter", "Single readings made durable.",
        _total(lambda s: s.samples),
    ),
    MetricSpec(
        "refused_records", "counter", "Records put in quarantine, by reason.",
        _refused, labels=("reason",),
    ),
    MetricSpec(
        "messages_dropped", "counter", "QoS 0 messages dropped because too many waited.",
        _total(lambda s: s.messages_dropped),
    ),
    MetricSpec(
        "messages_waiting", "gauge", "Messages that have arrived and are not decoded yet.",
        _one(lambda s: s.messages_waiting),
    ),
    MetricSpec(
        "last_message_timestamp_seconds", "gauge", "When the last message came, s since 1970.",
        _one(lambda s: s.last_message_ms / 1000 or None), unit="seconds",
    ),
    MetricSpec(
        "broker_connected", "gauge", "1 while subscribed at the broker.",
        _one(lambda s: s.broker_connected),
    ),
    MetricSpec(
        "reader_lag_entries", "gauge", "Journal entries that wait for the reader.",
        _readers(lambda r: r.behind), labels=("reader",),
    ),
    MetricSpec(
        "reader_lag_frames", "gauge", "Frames in the entries that wait for the reader.",
        _readers(lambda r: r.behind_frames), labels=("reader",),
    ),
    MetricSpec(
        "reader_lag_seconds", "gauge", "How long the oldest of them has waited.",
        _readers(lambda r: r.lag_s), unit="seconds", labels=("reader",),
    ),
    MetricSpec(
        "reader_frames", "counter", "Frames the reader has dealt with.",
        _readers(lambda r: r.frames, "_total"), labels=("reader",),
    ),
    MetricSpec(
        "reader_set_aside", "counter", "Entries the reader could not use and passed over.",
        _readers(lambda r: r.set_aside, "_total"), labels=("reader",),
    ),
    MetricSpec(
        "journal_size_bytes", "gauge", "What the journal takes on disk.",
        _one(lambda s: s.journal.used_bytes if s.journal else None), unit="bytes",
    ),
    MetricSpec(
        "journal_budget_used_ratio", "gauge", "Share of its budget that the journal uses.",
        _one(lambda s: s.journal.used_bytes / s.journal.budget_bytes if s.journal else None),
        unit="ratio",
    ),
    MetricSpec(
        "frames_not_charted", "counter",
        "Frames left out of the telemetry store to make room in the journal.",
        _total(lambda s: s.frames_not_charted),
    ),
    MetricSpec(
        "store_up", "gauge", "1 while the telemetry store takes samples.",
        _one(lambda s: s.store_up),
    ),
    MetricSpec(
        "rules_step_seconds", "histogram", "Time that the rules took for a step.",
        _steps, unit="seconds",
    ),
    MetricSpec(
        "late_frames", "counter", "Frames that came too late to be judged.",
        _total(lambda s: s.late_frames),
    ),
    MetricSpec(
        "alarm_events", "counter", "Changes of alarms written to the records.",
        _total(lambda s: s.alarm_events),
    ),
    MetricSpec(
        "alarms", "gauge", "Alarms that are not normal, by priority and state.",
        _alarms, labels=("priority", "state"),
    ),
    MetricSpec(
        "mails", "gauge", "Mails of the outbox, by state.",
        _mails, labels=("state",),
    ),
    MetricSpec(
        "mail_oldest_waiting_seconds", "gauge", "Age of the oldest mail that waits; 0 if none.",
        _one(_mail_age_s), unit="seconds",
    ),
    MetricSpec(
        "mail_recipients_refused", "gauge", "Recipients that the mail server refused for good.",
        _one(lambda s: s.outbox.refused_recipients if s.outbox else None),
    ),
    MetricSpec(
        "mail_server_up", "gauge", "0 while the mail server cannot be used.",
        _one(lambda s: s.mail_up),
    ),
    MetricSpec(
        "site_newest_sample_age_seconds", "summary",
        "Age of the newest sample, over the sites heard since the start; 1 is the oldest.",
        _site_ages, unit="seconds", labels=("quantile",),
    ),
    MetricSpec(
        "sites", "gauge", "Sites of the configuration.",
        _one(lambda s: s.sites),
    ),
    MetricSpec(
        "sites_unheard", "gauge", "Sites not heard since the start.",
        _one(lambda s: s.site_ages.unheard),
    ),
    MetricSpec(
        "sites_silent", "gauge", "Sites without a sample for an hour.",
        _one(lambda s: s.site_ages.silent),
    ),
    MetricSpec(
        "units", "gauge", "Units of the configuration.",
        _one(lambda s: s.units),
    ),
    MetricSpec(
        "troubles", "gauge", "Standing troubles, as /health tells them in words.",
        _one(lambda s: len(s.troubles)),
    ),
    MetricSpec(
        "start_timestamp_seconds", "gauge", "When the gateway started, s since 1970.",
        _one(lambda s: s.started_ms / 1000), unit="seconds",
    ),
    MetricSpec(
        "observed_timestamp_seconds", "gauge", "When these figures were taken, s since 1970.",
        _one(lambda s: s.now_ms / 1000), unit="seconds",
    ),
    MetricSpec(
        "build", "info", "Versions of the program and of Python.",
        _build, labels=("version", "python_version"),
    ),
)  # fmt: skip


def families(status: GatewayStatus) -> Iterator[Metric]:
    """Every metric of the table with the samples of this moment."""
    for spec in METRICS:
        metric = Metric(spec.full_name, spec.meaning, spec.kind, spec.unit)
        for suffix, values, value in spec.read(status):
            names = ("le",) if suffix == "_bucket" else spec.labels
            labels = dict(zip(names, values, strict=True)) if values else {}
            metric.add_sample(spec.full_name + suffix, labels, value)
        yield metric


class _Latest(Collector):
    """What the registry asks for at each exposition."""

    def __init__(self, latest: Callable[[], GatewayStatus | None]) -> None:
        self._latest = latest

    def collect(self) -> Iterator[Metric]:
        status = self._latest()
        if status is not None:
            yield from families(status)


class Exposition:
    """The text of all metrics, those of the process included (``basinward_process_...``)."""

    def __init__(self, latest: Callable[[], GatewayStatus | None]) -> None:
        """``latest`` gives the last look around, None before the first; it must not block."""
        self._registry = CollectorRegistry(auto_describe=False)
        self._registry.register(_Latest(latest))
        ProcessCollector(namespace=PREFIX.rstrip("_"), registry=self._registry)

    def text(self, accept: str = "") -> tuple[bytes, str]:
        """The body and its content type, in the format that the ``Accept`` header prefers."""
        if text_format(accept) == "openmetrics":
            return _open_format(self._registry), openmetrics.CONTENT_TYPE_LATEST
        return _plain_format(self._registry), exposition.CONTENT_TYPE_PLAIN_0_0_4


def text_format(accept: str) -> Literal["openmetrics", "plain"]:
    """Which of the two formats an ``Accept`` header asks for (RFC 9110, section 12.5.1).

    OpenMetrics where it is named and nothing that fits the plain format is preferred to it; the
    plain format, which a browser shows, to whoever takes anything.
    """
    wanted = {"application/openmetrics-text": 0.0, "text/plain": 0.0}
    for part in accept.lower().split(","):
        kind, *parameters = (p.strip() for p in part.split(";"))
        if kind in wanted:
            wanted[kind] = max(wanted[kind], _quality(parameters))
    named = wanted["application/openmetrics-text"]
    return "openmetrics" if named > 0 and named >= wanted["text/plain"] else "plain"


def _quality(parameters: Iterable[str]) -> float:
    for parameter in parameters:
        name, _, value = parameter.partition("=")
        if name.strip() == "q":
            try:
                return min(1.0, max(0.0, float(value)))
            except ValueError:
                return 0.0
    return 1.0
