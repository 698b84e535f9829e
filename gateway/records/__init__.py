"""The records: alarms, tickets, the outbox, quarantine, baselines, people's requests."""

from gateway.records.records import Records
from gateway.records.session import RecordsError, RecordsUnavailable

__all__ = ["Records", "RecordsError", "RecordsUnavailable"]
