"""Own rules in the engine: raised, cleared, held, acted on, remembered, and never in the way."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from support.fleet import HEALTHY, T0_MS, row_of_values, rows_of, site_data, unit_data

from rules.engine import Engine
from rules.equipment import OwnRule, Site
from rules.events import Action, ActionKind, AlarmEvent, AlarmState, Change, Evidence, Severity
from rules.faults.registry import SLUGS
from rules.own_rules.catalogue import PREFIX, fault_of
from rules.own_rules.columns import OwnAlarms
from rules.own_rules.errors import ExpressionError
from rules.own_rules.quantities import BASELINES, QUANTITIES
from rules.plan import FleetPlan
from rules.signals import INDEX
from rules.state import STEADY, SnapshotMismatch

LOW = {
    "id": "low-spray", "title": "Spray pressure low",
    "condition": "spray_pressure < 50 and pump_running", "on_delay_s": 120, "off_delay_s": 60,
    "priority": "medium", "text": "Look at valve V3.",
}  # fmt: skip


def rule(**changes) -> OwnRule:
    return OwnRule(**{**LOW, **changes})


def fleet(*of_unit: OwnRule, of_site=(), of_fleet=(), units=1) -> FleetPlan:
    """One site; the first unit has rules of its own, all have those of the site and the fleet."""
    data = site_data(units=[unit_data(f"ac-{i + 1}") for i in range(units)])
    data["units"][0]["rules"] = [r.model_dump() for r in of_unit]
    data["rules"] = [r.model_dump() for r in of_site]
    sites = [Site.model_validate(data)]
    return FleetPlan.build(sites, rows_of(sites), {}, rules=of_fleet)


class Feed:
    """A frame each minute or so to unit 0 (or ``row``), values healthy but for what is given."""

    def __init__(self, plan: FleetPlan) -> None:
        self.engine = Engine(plan)
        self.now_ms = T0_MS
        self.events: list[AlarmEvent] = []

    def run(self, minutes: int, row: int = 0, every: int = 1, **changes: float | None) -> list[str]:
        """The changes of own alarms during these minutes."""
        before = len(self.events)
        for _ in range(minutes // every):
            self.now_ms += every * 60_000
            values = {k: v for k, v in {**HEALTHY, **changes}.items() if v is not None}
            # A level that moves, so that no reading counts as frozen.
            values["basin_level"] += float(self.now_ms // 60_000 % 7)
            result = self.engine.samples(
                self.now_ms, np.array([row], np.int32), np.array([self.now_ms], np.int64),
                row_of_values(values)[None, :],
            )  # fmt: skip
            self.take(result.events)
        return [e.change.value for e in self.events[before:]]

    def take(self, events) -> None:
        self.events += [e for e in events if e.fault.startswith(PREFIX)]

    def act(self, kind: ActionKind, fault: str = "own-low-spray", **more) -> list[Change]:
        before = len(self.events)
        more.setdefault("until_ms", 0)
        action = Action(1, kind, 0, fault, self.now_ms, "R. Marsh", "", **more)
        self.take(self.engine.act(action).events)
        return [e.change for e in self.events[before:]]

    def clock(self) -> list[Change]:
        before = len(self.events)
        self.take(self.engine.clock(self.now_ms).events)
        return [e.change for e in self.events[before:]]

    def move_to(self, plan: FleetPlan) -> None:
        """What a reload of the files does."""
        engine = Engine(plan)
        engine.restore(self.engine.snapshot())
        self.engine = engine


def test_it_is_raised_after_its_delay_and_returns_after_its_off_delay():
    feed = Feed(fleet(rule()))
    assert feed.run(20) == []
    begun_ms = feed.now_ms + 60_000
    assert feed.run(2, spray_pressure=45.0) == []
    assert feed.run(1, spray_pressure=45.0) == ["raised"]
    raised = feed.events[-1]
    assert (raised.fault, raised.unit_row, raised.severity) == ("own-low-spray", 0, Severity.MEDIUM)
    assert (raised.onset_ms, raised.time_ms) == (begun_ms, begun_ms + 120_000)
    assert feed.run(60, spray_pressure=45.0) == []
    assert feed.run(1) == []
    assert feed.run(1) == ["returned to normal"]
    assert feed.run(3, spray_pressure=45.0) == ["raised"]


def test_a_condition_that_goes_within_the_delay_raises_nothing():
    feed = Feed(fleet(rule()))
    for _ in range(10):
        assert feed.run(2, spray_pressure=45.0) == []
        assert feed.run(1) == []


@pytest.mark.parametrize("priority", ["low", "medium", "high"])
def test_the_priority_is_the_severity(priority):
    feed = Feed(fleet(rule(priority=priority)))
    feed.run(5, spray_pressure=45.0)
    assert feed.events[0].severity.name.lower() == priority


def test_the_evidence_holds_condition_and_every_value_of_it():
    text = "spray_pressure < 80 % * pump_rated_pressure and pump_running and fans_running >= 2"
    feed = Feed(fleet(rule(condition=text)))
    feed.run(5, spray_pressure=45.0)
    evidence = feed.events[0].evidence
    assert evidence is not None
    assert evidence.summary == f"Spray pressure low. This is a rule of your own: {text}."
    shown = [(r.quantity, r.measured, r.unit, r.note, r.derived) for r in evidence.readings]
    assert shown == [
        ("Spray pressure", 45.0, "kPa", "", False),
        ("Pump's rated pressure", 60.0, "kPa", "from the site file", False),
        ("Pump running", 1.0, "", "yes", True),
        ("Fans running", 4.0, "", "", True),
    ]
    assert evidence.signals == ("spray_pressure", "pump_current", "fan_run")
    assert Evidence.from_json(evidence.to_json()) == evidence


def test_a_clear_condition_keeps_the_alarm_until_it_is_there():
    feed = Feed(fleet(rule(clear="spray_pressure > 55")))
    assert feed.run(3, spray_pressure=45.0) == ["raised"]
    assert feed.run(30, spray_pressure=52.0) == []
    assert feed.run(2, spray_pressure=56.0) == ["returned to normal"]
    assert feed.run(30, spray_pressure=52.0) == []


def test_a_clear_condition_must_hold_for_the_whole_off_delay_whatever_the_condition_is():
    condition = "makeup_flow / bleed_flow > 3"
    feed = Feed(fleet(rule(condition=condition, clear="conductivity < 1000")))
    assert feed.run(3, makeup_flow=8.0, bleed_flow=1.0, conductivity=1500.0) == ["raised"]
    unknown = {"makeup_flow": 8.0, "bleed_flow": 0.0}  # dividing by zero
    for _ in range(5):
        assert feed.run(1, **unknown, conductivity=900.0) == []
        assert feed.run(1, **unknown, conductivity=1500.0) == []
    assert feed.run(2, **unknown, conductivity=900.0) == ["returned to normal"]


def test_the_condition_counts_before_a_clear_condition_that_contradicts_it():
    feed = Feed(fleet(rule(clear="spray_pressure > 40")))
    assert feed.run(3, spray_pressure=45.0) == ["raised"]
    assert feed.run(30, spray_pressure=45.0) == []


@pytest.mark.parametrize("clear", [None, "spray_pressure > 55"])
def test_unknown_neither_raises_nor_clears(clear):
    feed = Feed(fleet(rule(clear=clear)))
    assert feed.run(60, spray_pressure=None) == []
    assert feed.run(3, spray_pressure=45.0) == ["raised"]
    # Its last value counts for a while; then nothing is known, for days.
    assert feed.run(1500, every=20, spray_pressure=None) == []
    assert feed.run(3) == ["returned to normal"]


def test_what_is_known_can_be_enough():
    feed = Feed(fleet(rule(condition="spray_pressure < 50 or conductivity > 2000")))
    assert feed.run(3, spray_pressure=None, conductivity=2100.0) == ["raised"]
    assert feed.run(60, spray_pressure=None) == [], "the other half is not known to be clear"


def test_a_gap_begins_the_delay_anew():
    feed = Feed(fleet(rule(on_delay_s=1800.0)))
    assert feed.run(20, spray_pressure=45.0) == []
    feed.now_ms += 7_200_000
    assert feed.run(30, spray_pressure=45.0) == []
    assert feed.run(1, spray_pressure=45.0) == ["raised"]


def test_a_rule_that_latches_waits_for_a_reset_once_it_is_clear():
    feed = Feed(fleet(rule(latches=True)))
    feed.run(5, spray_pressure=45.0)
    feed.run(5)
    assert feed.events[-1].state is AlarmState.LATCHED_UNACKNOWLEDGED
    for kind in (ActionKind.ACKNOWLEDGE, ActionKind.RESET):
        action = Action(1, kind, 0, "own-low-spray", feed.now_ms, "R. Okafor", "")
        feed.events += feed.engine.act(action).events
    assert feed.events[-1].state is AlarmState.NORMAL


# ---------------------------------------------------------------- which rules apply


def test_the_nearer_rule_of_one_id_counts():
    plan = fleet(
        rule(title="Unit's", condition="spray_pressure < 30"),
        of_site=[rule(title="Site's", condition="spray_pressure < 40"), rule(id="b")],
        of_fleet=[rule(title="Fleet's"), rule(id="c", condition="conductivity > 5000")],
        units=2,
    )
    feed = Feed(plan)
    feed.run(5, spray_pressure=35.0)
    feed.run(5, row=1, spray_pressure=35.0)
    found = {(e.unit_row, e.fault): e.evidence.summary.split(".")[0] for e in feed.events}
    assert found == {
        (0, "own-b"): "Spray pressure low",
        (1, "own-b"): "Spray pressure low",
        (1, "own-low-spray"): "Site's",
    }


def test_without_own_rules_there_is_nothing():
    plan = fleet(units=3)
    assert OwnAlarms.of(plan) is None
    engine = Engine(plan)
    assert engine.snapshot() == Engine(plan).snapshot()
    assert engine.nbytes() + 1 < Engine(fleet(rule(), units=3)).nbytes()


def test_no_fault_of_the_catalogue_looks_like_an_own_rule():
    assert not [slug for slug in SLUGS if slug.startswith(PREFIX)]


def test_a_condition_that_was_never_checked_is_refused_when_the_engine_is_made():
    with pytest.raises(ExpressionError, match="there is no signal or quantity called 'spray'"):
        Engine(fleet(rule(condition="spray < 3")))


def test_the_entry_of_the_alarm_list():
    fault = fault_of(rule(priority="high"))
    assert (fault.slug, fault.title, fault.family) == (
        "own-low-spray", "Spray pressure low", "own rules",
    )  # fmt: skip
    assert fault.needs == ("spray_pressure", "pump_current")
    assert fault.response == {Severity.HIGH: "today"}
    assert (fault.meaning, fault.job_plan) == ("Look at valve V3.", "inspection")


# ---------------------------------------------------------------- people's actions


def standing(**changes) -> Feed:
    feed = Feed(fleet(rule(**changes)))
    assert feed.run(3, spray_pressure=45.0) == ["raised"]
    return feed


def test_it_is_acknowledged_and_then_returns_to_normal():
    feed = standing()
    assert feed.act(ActionKind.ACKNOWLEDGE) == [Change.ACKNOWLEDGED]
    assert feed.act(ActionKind.ACKNOWLEDGE) == []
    assert feed.run(5) == ["returned to normal"]
    assert [e.state for e in feed.events[1:]] == [AlarmState.ACKNOWLEDGED, AlarmState.NORMAL]
    assert feed.events[1].by == "R. Marsh"


def test_an_action_on_another_fault_leaves_it_alone():
    feed = standing()
    assert feed.act(ActionKind.ACKNOWLEDGE, "own-other") == []
    assert feed.act(ActionKind.ACKNOWLEDGE, "fan-fault") == []


def test_it_is_shelved_and_raised_again_when_the_time_is_over():
    feed = standing()
    until = feed.now_ms + 600_000
    assert feed.act(ActionKind.SHELVE, until_ms=until) == [Change.SHELVED]
    assert feed.run(8, spray_pressure=45.0) == []
    assert feed.clock() == []
    feed.run(2, spray_pressure=45.0)
    assert feed.clock() == [Change.UNSHELVED]
    assert feed.run(3, spray_pressure=45.0) == ["raised"]


def test_it_is_announced_again_when_it_stands_long_after_it_was_acknowledged():
    feed = standing(priority="high")
    feed.act(ActionKind.ACKNOWLEDGE)
    assert feed.clock() == []
    feed.run(1460, every=20, spray_pressure=45.0)
    assert feed.clock() == [Change.ANNOUNCED_AGAIN]
    assert feed.events[-1].state is AlarmState.UNACKNOWLEDGED


def test_it_is_not_judged_while_the_unit_is_out_of_service():
    feed = Feed(fleet(rule()))
    feed.run(5)
    feed.act(ActionKind.OUT_OF_SERVICE, "", until_ms=feed.now_ms + 3_600_000)
    assert feed.run(30, spray_pressure=45.0) == []
    feed.now_ms += 3_600_000
    feed.clock()
    assert feed.run(3, spray_pressure=45.0) == ["raised"]


def test_a_rule_that_is_new_while_the_unit_is_out_of_service_waits_too():
    feed = Feed(fleet())
    feed.run(5)
    feed.act(ActionKind.OUT_OF_SERVICE, "")
    feed.move_to(fleet(rule()))
    assert feed.run(30, spray_pressure=45.0) == []


def test_a_standing_alarm_goes_out_of_service_with_its_unit():
    feed = standing()
    assert feed.act(ActionKind.OUT_OF_SERVICE, "") == [Change.OUT_OF_SERVICE]
    assert feed.run(30) == []
    assert feed.act(ActionKind.IN_SERVICE, "") == [Change.IN_SERVICE]
    assert feed.run(3, spray_pressure=45.0) == ["raised"]


# ---------------------------------------------------------------- memory


@pytest.mark.parametrize("cut", range(1, 12))
def test_a_snapshot_goes_on_as_if_nothing_had_happened(cut):
    pressures = [58, 45, 45, 45, 45, 58, 58, 45, 45, 45, 58, 58]
    whole, parted = Feed(fleet(rule())), Feed(fleet(rule()))
    for i, pressure in enumerate(pressures):
        if i == cut:
            parted.move_to(parted.engine.plan)
        for feed in (whole, parted):
            feed.run(1, spray_pressure=float(pressure))
    assert parted.events == whole.events
    assert len(whole.events) == 4


def test_delays_priority_and_words_can_change_under_a_standing_alarm():
    feed = standing()
    feed.move_to(fleet(rule(title="Anew", priority="high", on_delay_s=0.0, off_delay_s=0.0)))
    assert feed.clock() == []
    assert feed.run(1, spray_pressure=45.0) == ["worsened"]
    assert feed.events[-1].severity is Severity.HIGH
    assert feed.run(1) == ["returned to normal"]


def test_the_same_condition_in_another_spacing_is_the_same_rule():
    feed = standing()
    feed.move_to(fleet(rule(condition="  (spray_pressure<50)\n and pump_running ")))
    assert feed.run(5, spray_pressure=45.0) == []
    assert feed.run(2) == ["returned to normal"]


@pytest.mark.parametrize("changed", ["condition", "clear", "gone"])
@pytest.mark.parametrize("by", ["frame", "clock"])
def test_a_changed_or_removed_rule_ends_its_alarm_and_says_so(changed, by):
    feed = standing()
    feed.move_to({
        "condition": fleet(rule(condition="spray_pressure < 48 and pump_running")),
        "clear": fleet(rule(clear="spray_pressure > 50")),
        "gone": fleet(),
    }[changed])  # fmt: skip
    feed.move_to(feed.engine.plan)  # the news outlives a second restart before it is told
    if by == "clock":
        assert feed.clock() == [Change.RETURNED]
    else:
        assert feed.run(1, spray_pressure=58.0) == ["returned to normal"]
    ended = feed.events[-1]
    assert (ended.state, ended.fault) == (AlarmState.NORMAL, "own-low-spray")
    assert "changed or taken out" in ended.note
    assert feed.clock() == []
    again = feed.run(3, spray_pressure=45.0)
    assert again == ([] if changed == "gone" else ["raised"])


def test_a_changed_rule_whose_alarm_was_normal_says_nothing():
    feed = Feed(fleet(rule()))
    feed.run(2, spray_pressure=45.0)
    feed.move_to(fleet(rule(condition="spray_pressure < 48")))
    assert feed.clock() == []
    assert feed.run(2, spray_pressure=45.0) == [], "the delay begins anew"
    assert feed.run(1, spray_pressure=45.0) == ["raised"]


def test_a_snapshot_that_is_cut_off_is_refused():
    feed = standing()
    data = feed.engine.snapshot()
    for broken in (data[:-300] + data[-18:], data[:50] + data[-18:], data[-18:]):
        with pytest.raises(SnapshotMismatch):
            Engine(feed.engine.plan).restore(broken)


# ---------------------------------------------------------------- columns

WET = rule(
    id="wet", title="Wet bulb", priority="low", on_delay_s=0.0, off_delay_s=0.0,
    condition="wet_bulb_temperature > 20 or baseline(pump_current) < 1 A", clear="fan_speed < 50",
)  # fmt: skip
PLAN = fleet(rule(on_delay_s=60.0), of_fleet=[WET], units=3)


def _stream() -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    rng = np.random.default_rng(11)
    n = 90
    row = np.tile(np.arange(3, dtype=np.int32), n)
    time_ms = T0_MS + np.repeat(np.arange(n, dtype=np.int64), 3) * 60_000
    values = np.stack([row_of_values(HEALTHY)] * (3 * n))
    for name, choices in (
        ("spray_pressure", (45.0, 45.0, 58.0, np.nan)),
        ("fan_speed", (40, 70)),
        ("relative_humidity", (30.0, 80.0, np.nan)),
    ):
        values[:, INDEX[name]] = rng.choice(choices, 3 * n)
    # Who has air of its own is served by nobody: only so no unit bears on another.
    values[:3, INDEX["relative_humidity"]] = 80.0
    return row, time_ms, values


def _own(engine: Engine, row, time_ms, values) -> list[AlarmEvent]:
    events = engine.samples(0, row, time_ms, values).events
    return [e for e in events if e.fault.startswith(PREFIX)]


def _in_order(events):
    return sorted(events, key=lambda e: (e.unit_row, e.time_ms, e.fault, e.change.value))


STREAM = _stream()
EXPECTED = _in_order(_own(Engine(PLAN), *STREAM))


@settings(max_examples=10)
@given(cuts=st.lists(st.integers(0, 270), max_size=8))
def test_cutting_the_stream_into_batches_anyhow_gives_the_same_events(cuts):
    assert len(EXPECTED) > 20
    engine, events, start = Engine(PLAN), [], 0
    for cut in [*sorted(cuts), 270]:
        events += _own(engine, *(part[start:cut] for part in STREAM))
        start = cut
    assert _in_order(events) == EXPECTED


def test_each_unit_alone_and_units_in_any_order_give_what_the_fleet_gives():
    row, time_ms, values = STREAM
    alone = []
    for unit in range(3):
        alone += _own(Engine(PLAN), *(part[row == unit] for part in STREAM))
    assert _in_order(alone) == EXPECTED
    order = np.lexsort((-row, time_ms))
    assert _in_order(_own(Engine(PLAN), row[order], time_ms[order], values[order])) == EXPECTED


def test_one_units_missing_values_touch_no_other():
    row, time_ms, values = STREAM
    spoilt = values.copy()
    spoilt[row == 1] = np.nan
    events = _in_order(_own(Engine(PLAN), row, time_ms, spoilt))
    others = [e for e in events if e.unit_row != 1]
    assert others == [e for e in EXPECTED if e.unit_row != 1]


# ---------------------------------------------------------------- quantities

MEASURED = [
    q for q in QUANTITIES.values()
    if q.derived and not q.fixed and q.kind != "truth" and q.name != "water_flow_share"
]  # fmt: skip
ALL = [
    rule(id=f"all-{i}", on_delay_s=0.0,
         condition=" and ".join(f"{q.name} > -99" for q in MEASURED[i::2]) + " and basin_level > 0")
    for i in range(2)
]  # fmt: skip


def test_derived_quantities_of_a_known_machine():
    """R134a, cut-out at 1700 kPa; air 28 °C at 40 %: figures from the sources beside each."""
    feed = Feed(fleet(*ALL))
    feed.run(30)
    assert len(feed.events) == 2
    found = {r.quantity: r.measured for e in feed.events for r in e.evidence.readings}
    assert len(found) == len(MEASURED) + 1
    assert found["Fans running"] == 4.0
    assert found["Airflow"] == pytest.approx(70.0)
    assert found["Level above the pump's least"] == pytest.approx(found["Basin level"] - 70.0)
    assert found["Level below the overflow"] == pytest.approx(240.0 - found["Basin level"])
    assert found["Cycles of concentration"] == pytest.approx(900.0 / 300.0)
    assert found["Conductivity of limit"] == pytest.approx(60.0)
    assert found["Pump current of rated"] == pytest.approx(90.0)
    assert found["Head pressure of cut-out"] == pytest.approx(1000 / 17)
    # R134a saturates at 39.4 °C at 1000 kPa (ASHRAE Fundamentals, refrigerant tables; from memory)
    assert found["Condensing temperature"] == pytest.approx(39.39, abs=0.1)
    # 28 °C, 40 %, sea level: wet bulb 18.6 °C (psychrometric chart; from memory)
    assert found["Wet bulb"] == pytest.approx(18.6, abs=0.2)
    # Air behind pads of effectiveness 0.8: 28 - 0.8 x (28 - 18.6)
    assert found["Air on coil"] == pytest.approx(20.5, abs=0.3)
    assert found["Condensing temperature above air on coil"] == pytest.approx(
        found["Condensing temperature"] - found["Air on coil"]
    )
    assert found["Evaporation"] > 0
    assert found["Pump running for"] == 0.0


def test_times_in_a_state_count_from_its_beginning():
    feed = Feed(fleet(
        rule(condition="pump_running_for > 10 min and pump_commanded_for > 10", on_delay_s=0.0),
        rule(id="dry", condition="pump_stopped_for >= 5 and not wet and dry_for >= 5",
             on_delay_s=0.0),
    ))  # fmt: skip
    assert feed.run(11) == []
    assert feed.run(1) == ["raised"]
    stopped = {"pump_current": 0.0, "pump_command": 0.0, "wet_mode": 0.0, "spray_pressure": 0.0}
    assert feed.run(5, **stopped) == ["returned to normal"]
    feed.run(1, **stopped)
    assert feed.events[-1].fault == "own-dry"


def test_a_baseline_is_unknown_until_learned():
    feed = Feed(fleet(rule(condition="spray_pressure < 90 % * baseline(spray_pressure)")))
    assert feed.run(10, spray_pressure=10.0) == []
    quantity = next(i for i, q in enumerate(STEADY) if q.name == "spray_pressure")
    feed.engine.state.baseline[0, quantity] = 58.0
    assert feed.run(3, spray_pressure=50.0) == ["raised"]
    reading = feed.events[0].evidence.readings[1]
    assert (reading.quantity, reading.measured) == ("Spray pressure, clean baseline", 58.0)


def test_every_baseline_is_one_that_is_learned():
    assert set(BASELINES) <= {q.name for q in STEADY}
