"""The metrics' text: read by the library's own strict parser, and against the standard's grammar.

The parser belongs to the library that writes the text, so it alone proves little; names, lines and
ends are checked here again, by rules of the OpenMetrics 1.0 text format written down from memory.
"""

from __future__ import annotations

import re
from dataclasses import replace

import pytest
from prometheus_client.openmetrics.parser import text_string_to_metric_families
from prometheus_client.parser import text_string_to_metric_families as plain_families
from support.gateway_status import STATUS

from gateway.batch import Reason
from gateway.records.rows import OutboxState
from gateway.status import AlarmCount, GatewayStatus
from gateway.watching.freshness import SiteAges
from gateway.watching.metrics import METRICS, PREFIX, Exposition, text_format
from gateway.watching.step_times import BOUNDS_S, StepTimes


def exposed(status: GatewayStatus | None, accept: str = "application/openmetrics-text") -> str:
    body, _ = Exposition(lambda: status).text(accept)
    return body.decode()


def samples(text: str) -> dict[tuple[str, tuple[tuple[str, str], ...]], float]:
    return {
        (s.name, tuple(sorted(s.labels.items()))): s.value
        for family in text_string_to_metric_families(text)
        for s in family.samples
    }


def value(text: str, name: str, **labels: str) -> float:
    return samples(text)[PREFIX + name, tuple(sorted(labels.items()))]


def test_every_figure_of_the_status_is_read_back():
    text = exposed(STATUS)
    assert value(text, "messages_total") == 120
    assert value(text, "frames_total") == 240
    assert value(text, "samples_total") == 960
    assert value(text, "refused_records_total", reason="wrong unit") == 3
    assert value(text, "refused_records_total", reason="too old") == 0
    assert value(text, "reader_lag_entries", reader="store") == 50
    assert value(text, "reader_lag_frames", reader="rules") == 4
    assert value(text, "reader_lag_seconds", reader="store") == 61.25
    assert value(text, "journal_size_bytes") == 25e6
    assert value(text, "journal_budget_used_ratio") == 0.05
    assert value(text, "mail_oldest_waiting_seconds") == 10
    assert value(text, "mails", state="pending") == 2
    assert value(text, "mails", state="handing over") == 0
    assert value(text, "alarms", priority="high", state="unacknowledged") == 2
    assert value(text, "site_newest_sample_age_seconds", quantile="0.5") == 4
    assert value(text, "site_newest_sample_age_seconds", quantile="1.0") == 9.5
    assert value(text, "sites_unheard") == 1
    assert value(text, "broker_connected") == 1
    assert value(text, "store_up") == 0
    assert value(text, "last_message_timestamp_seconds") == 1_760_000_059.5
    assert value(text, "process_resident_memory_bytes") > 1e6


def test_the_labels_of_reasons_and_states_are_bounded_by_the_catalogue():
    kinds = samples(exposed(replace(STATUS, rejects_by_reason={})))
    assert sum(name == f"{PREFIX}refused_records_total" for name, _ in kinds) == len(Reason)
    assert sum(name == f"{PREFIX}mails" for name, _ in kinds) == len(OutboxState)


def test_every_metric_of_the_table_is_in_the_text_and_nothing_else():
    found = {f.name for f in text_string_to_metric_families(exposed(STATUS))}
    named = {spec.full_name for spec in METRICS}
    assert named <= found
    assert all(name.startswith(f"{PREFIX}process_") for name in found - named)


def test_what_is_not_known_has_no_sample():
    text = exposed(
        replace(STATUS, journal=None, outbox=None, alarms=None, last_message_ms=0,
                site_ages=SiteAges())
    )  # fmt: skip
    names = {name for name, _ in samples(text)}
    for absent in ("journal_size_bytes", "mails", "alarms", "mail_oldest_waiting_seconds",
                   "last_message_timestamp_seconds", "site_newest_sample_age_seconds"):  # fmt: skip
        assert PREFIX + absent not in names


def test_before_the_first_look_only_the_process_is_told():
    names = {name for name, _ in samples(exposed(None))}
    assert names
    assert all(name.startswith(f"{PREFIX}process_") for name in names)


def test_the_steps_make_a_cumulative_histogram():
    times = StepTimes()
    for duration_s in (0.004, 0.005, 0.3, 99.0):
        times.took(duration_s)
    text = exposed(replace(STATUS, rules_steps=times.so_far()))
    assert value(text, "rules_step_seconds_bucket", le="0.005") == 2  # the bound belongs to it
    assert value(text, "rules_step_seconds_bucket", le="0.5") == 3
    assert value(text, "rules_step_seconds_bucket", le="30.0") == 3
    assert value(text, "rules_step_seconds_bucket", le="+Inf") == 4
    assert value(text, "rules_step_seconds_count") == 4
    assert value(text, "rules_step_seconds_sum") == pytest.approx(99.309)
    assert list(BOUNDS_S) == sorted(BOUNDS_S)


# The grammar of the OpenMetrics 1.0 text format, from memory of its ABNF: metricname, labels,
# number; a sample has no timestamp here.
NAME = r"[a-zA-Z_:][a-zA-Z0-9_:]*"
LABEL = r'[a-zA-Z_][a-zA-Z0-9_]*="(?:[^"\\\n]|\\[\\"n])*"'
NUMBER = r"(?:[+-]?(?:\d+\.?\d*(?:[eE][+-]?\d+)?|\.\d+(?:[eE][+-]?\d+)?|Inf)|NaN)"
KIND = "counter|gauge|histogram|gaugehistogram|stateset|info|summary|unknown"
LINES = {
    "TYPE": re.compile(rf"# TYPE {NAME} (?:{KIND})"),
    "UNIT": re.compile(rf"# UNIT {NAME} {NAME}"),
    "HELP": re.compile(rf"# HELP {NAME} (?:[^\\\n]|\\[\\n])*"),
    "EOF": re.compile(r"# EOF"),
}
SAMPLE = re.compile(rf"({NAME})(?:\{{{LABEL}(?:,{LABEL})*\}})? {NUMBER}")
SUFFIXES = {
    "counter": ("_total",), "gauge": ("",), "info": ("_info",), "summary": ("",),
    "histogram": ("_bucket", "_count", "_sum"),
}  # fmt: skip


def test_every_line_follows_the_grammar_and_families_are_not_torn_apart():
    text = exposed(STATUS)
    assert text.endswith("# EOF\n")
    kinds: dict[str, str] = {}
    family = ""
    for line in text.splitlines():
        if line.startswith("#"):
            word = line.split(" ")[1]
            assert LINES[word].fullmatch(line), line
            if word == "TYPE":
                _, _, family, kind = line.split(" ")
                assert family not in kinds, "a family stands in one place"
                kinds[family] = kind
            elif word == "UNIT":
                assert line.split(" ")[2].endswith(f"_{line.split(' ')[3]}"), line
            continue
        match = SAMPLE.fullmatch(line)
        assert match, line
        assert match[1] in {family + s for s in SUFFIXES[kinds[family]]}, line
    assert text.count("# EOF") == 1


@pytest.mark.parametrize("spec", METRICS, ids=lambda s: s.name)
def test_names_carry_their_units_and_say_what_they_mean(spec):
    assert re.fullmatch(r"[a-z][a-z_]*", spec.name)
    for unit in ("seconds", "bytes", "ratio"):
        assert spec.name.endswith(f"_{unit}") == (spec.unit == unit)
    assert not spec.name.endswith(("_total", "_info", "_count", "_sum", "_bucket", "_created"))
    assert spec.meaning.endswith(".")


def test_a_label_with_quotes_and_line_ends_is_escaped():
    alarms = (AlarmCount('h"i\\gh\n# EOF', "acknowledged", 1),)
    text = exposed(replace(STATUS, alarms=alarms))
    assert value(text, "alarms", priority='h"i\\gh\n# EOF', state="acknowledged") == 1


# RFC 9110, section 12.5.1: quality values choose; where nothing is asked for, the sender chooses.
@pytest.mark.parametrize(
    ("accept", "chosen"),
    [
        ("", "plain"),
        ("*/*", "plain"),
        ("text/html, application/xhtml+xml, */*;q=0.8", "plain"),
        ("application/openmetrics-text", "openmetrics"),
        ("application/openmetrics-text; version=1.0.0; charset=utf-8", "openmetrics"),
        ("application/openmetrics-text;version=1.0.0,text/plain;q=0.5", "openmetrics"),
        ("application/openmetrics-text;q=0.3, text/plain;q=0.9", "plain"),
        ("application/openmetrics-text;q=0", "plain"),
        ("Application/OpenMetrics-Text", "openmetrics"),
        ("application/openmetrics-text;q=high", "plain"),
    ],
)  # fmt: skip
def test_the_format_is_what_the_client_prefers(accept, chosen):
    assert text_format(accept) == chosen
    body, content_type = Exposition(lambda: STATUS).text(accept)
    assert body.endswith(b"# EOF\n") == (chosen == "openmetrics")
    expected = {"plain": "text/plain; version=0.0.4", "openmetrics": "application/openmetrics-text"}
    assert content_type.startswith(expected[chosen])
    assert content_type.endswith("charset=utf-8")


def test_the_plain_format_holds_the_same_figures():
    found = {
        (s.name, tuple(sorted(s.labels.items()))): s.value
        for family in plain_families(exposed(STATUS, ""))
        for s in family.samples
    }
    assert found[f"{PREFIX}messages_total", ()] == 120
    assert found[f"{PREFIX}reader_lag_seconds", (("reader", "store"),)] == 61.25
