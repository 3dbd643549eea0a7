"""The trend of one machine from simulated readings: points, slopes, verdicts, bounds."""

import time
from dataclasses import replace
from math import log10

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import TypeAdapter

from gateway.diagnosis.seen import Seen
from gateway.diagnosis.trend import TrendDesk, TrendMemory
from gateway.tags import (
    BAD_DEVICE_FAILURE,
    UNCERTAIN_LAST_USABLE_VALUE,
    UNCERTAIN_SENSOR_NOT_ACCURATE,
)
from tests.diagnosis.trend_site import AT_LEAST, AT_MOST, Row, seen, site, watched

DESK = TrendDesk(site(), "T1")
MEMORY = TypeAdapter(TrendMemory)


def only(trend):
    (state,) = trend.states
    return state


def falling(decades_per_day, count, sigma=0.02, seed=0, start=6.0):
    noise = np.random.default_rng(seed).normal(size=count) * sigma
    return [
        Row(float(h), 10 ** (start + decades_per_day * h / 24 + e)) for h, e in enumerate(noise)
    ]


def test_planted_slope_and_forecast():
    """A planted fall lies in the interval; the alarm of the earth fault has its days, no other."""
    _, trend = watched(DESK, falling(-0.1, 241))
    state = only(trend)
    assert ("T1.R", "running hot", 240, "falling") == (
        trend.tag,
        state.state,
        state.points,
        state.verdict,
    )
    assert state.low_decades_per_day <= -0.1 <= state.high_decades_per_day
    assert pytest.approx(-0.1, abs=0.002) == state.decades_per_day
    assert state.p_value < 1e-6
    assert pytest.approx(10 ** (6 - 0.1 * 239 / 24), rel=0.03) == state.line_end_ohm
    (forecast,) = state.forecasts
    assert ("T1.LOW", 20.0) == (forecast.alarm, forecast.limit)
    # From 1 Mohm at the start to 20 kohm: (6 - log10(2e4)) / 0.1 days, less those that have gone.
    assert pytest.approx((6 - log10(2e4)) / 0.1 - 239 / 24, rel=0.05) == forecast.likely_days
    assert forecast.earliest_days < forecast.likely_days < forecast.latest_days


def test_interval_covers_the_planted_slope():
    """The 95 % interval holds the planted slope in 92 to 100 % of 200 simulated series."""
    covered = 0
    for seed in range(200):
        state = only(watched(DESK, falling(-0.05, 41, seed=seed))[1])
        covered += state.low_decades_per_day <= -0.05 <= state.high_decades_per_day
    assert 0.92 <= covered / 200


def test_noise_without_a_trend_is_mostly_told_so():
    """On noise alone at most one verdict of twelve is a trend, and it forecasts nothing else."""
    false = 0
    for seed in range(200):
        state = only(watched(DESK, falling(0.0, 41, seed=seed))[1])
        false += state.verdict != "no trend"
        assert (state.verdict == "falling") == bool(state.forecasts)
    assert false / 200 <= 1 / 12


def test_few_points_tell_nothing():
    """Seven points are too few, eight are enough."""
    state = only(watched(DESK, falling(-1.0, 8))[1])
    assert (7, "too few points", None) == (state.points, state.verdict, state.decades_per_day)
    assert "falling" == only(watched(DESK, falling(-1.0, 9))[1]).verdict


@pytest.mark.parametrize(
    "row",
    [
        Row(0, 5e3, UNCERTAIN_LAST_USABLE_VALUE),
        Row(0, 5e3, UNCERTAIN_SENSOR_NOT_ACCURATE),
        Row(0, 5e3, BAD_DEVICE_FAILURE),
        Row(0, 5e3, measured_hours=2.0),
    ],
)
def test_only_fresh_good_measurements_count(row):
    """A value held, doubtful, bad or seen before changes nothing, not even the memory."""
    before, _ = watched(DESK, [Row(0, 1e6), Row(1, 1e6), Row(2, 1e6)])
    after, _ = watched(DESK, [replace(row, hours=2.5)], before)
    assert after is before


def test_tag_that_is_blind_does_not_count():
    """A tag that its signal calls blind gives no point."""
    before, _ = watched(DESK, [Row(0, 1e6)])
    blind = replace(seen(Row(0.5, 5e3)), blind=frozenset({"T1.R"}))
    after, _ = DESK.step(before, blind, {"running": True, "hot": True})
    assert after is before


def test_each_state_has_its_own_points():
    """Running and standstill, hot and cold are apart; what is not known is a state of its own."""
    rows = [
        Row(0.0, 1e6, running=True, hot=True),
        Row(0.1, 1e6, running=False, hot=True),
        Row(0.2, 1e6, running=True, hot=False),
        Row(0.3, 1e6, running=False, hot=False),
        Row(0.4, 1e6, running=None, hot=False),
        Row(1.5, 1e6),
    ]
    _, trend = watched(DESK, rows)
    assert [
        "running cold",
        "running hot",
        "standstill cold",
        "standstill hot",
        "state not told",
    ] == [s.state for s in trend.states]


def test_states_that_no_one_can_tell_are_not_made_up():
    """Where the site file says nothing of heat the states are running and standstill."""
    desk = TrendDesk(site(states={"running": {"tag": "T1.SPEED", "above": "90 %"}}), "T1")
    _, trend = watched(desk, [Row(0, 1e6, hot=None), Row(2, 1e6, hot=None)])
    assert "running" == only(trend).state
    _, trend = watched(TrendDesk(site(states={}), "T1"), [Row(0, 1e6), Row(2, 1e6)])
    assert "all states" == only(trend).state


def test_at_least_is_no_number():
    """A rotor beyond range has no trend and no slope, though the end of the range may drift."""
    drifting = [10e6 + 1e4 * h for h in range(30)]
    at_least = [Row(float(h), ohm, AT_LEAST) for h, ohm in enumerate(drifting)]
    at_most = [Row(float(h), ohm / 1e4, AT_MOST) for h, ohm in enumerate(drifting)]
    state = only(watched(DESK, at_least)[1])
    assert ("no trend", None, 1.0) == (state.verdict, state.decades_per_day, state.p_value)
    state = only(watched(DESK, at_most)[1])
    assert ("no trend", None, 1.0) == (state.verdict, state.decades_per_day, state.p_value)


def test_fall_from_above_range_is_seen():
    """From 'at least' down to numbers: falling, and the slope is that of the numbers alone."""
    rows = [Row(float(h), 10e6, AT_LEAST) for h in range(15)]
    rows += [Row(15.0 + r.hours, r.ohm) for r in falling(-0.5, 20)]
    state = only(watched(DESK, rows)[1])
    assert "falling" == state.verdict
    assert pytest.approx(-0.5, abs=0.05) == state.decades_per_day


def test_at_most_ties_at_the_floor():
    """'At most' values are tied with each other and below everything else."""
    rows = falling(0.0, 12) + [Row(12.0 + h, 500.0, AT_MOST) for h in range(12)]
    state = only(watched(DESK, rows)[1])
    assert ("falling", 23) == (state.verdict, state.points)


def test_line_that_leaves_its_points_is_not_shown():
    """A point ten years after a steep stretch breaks nothing: the line has no end to show."""
    late = Row(24.0 * 3650, 1e6)
    rows = [*falling(-2.4, 40, sigma=0.0), late, replace(late, hours=late.hours + 2)]
    assert only(watched(DESK, rows)[1]).line_end_ohm is None


def test_dead_short_counts():
    """Zero ohm has no logarithm, but is the worst that can be: it is taken for one ohm."""
    memory, _ = watched(DESK, [Row(0, 0.0), Row(1, 1e6)])
    assert 0.0 == memory.history.series["running hot"][0].log_ohm


def test_standstill_is_corrected_to_40_c():
    """A winding that only cools has no trend once corrected, and a falling one without.

    Check: thermoplastic insulation doubles for each 10 K less (IEEE Std 43-2013).
    """
    temps = [80.0 - h for h in range(40)]
    rows = [
        Row(float(h), 1e6 * 2 ** ((40 - t) / 10), running=False, hot=False, temp=t)
        for h, t in enumerate(temps)
    ]
    watch = {"resistance": "T1.R", "temperature": "T1.TEMP"}
    plain = only(watched(TrendDesk(site(watch), "T1"), rows)[1])
    assert "rising" == plain.verdict
    desk = TrendDesk(site({**watch, "insulation": "thermoplastic"}), "T1")
    corrected = only(watched(desk, rows)[1])
    assert "no trend" == corrected.verdict
    assert pytest.approx(0.0, abs=1e-9) == corrected.decades_per_day
    running = only(watched(desk, [replace(r, running=True) for r in rows])[1])
    assert "rising" == running.verdict  # the correction holds for no winding in service
    excited = only(watched(desk, [replace(r, excited=True) for r in rows])[1])
    assert 0 == excited.points


def test_point_is_the_median_of_its_interval():
    """Thousands of values make one point, their median, with the means of what was beside them."""
    rng = np.random.default_rng(3)
    logs = 6 + 0.1 * rng.normal(size=3600)
    logs[::50] = 3.0
    rows = [Row(i / 3600, 10**v, temp=50 + 20 * i / 3600, speed=100.0) for i, v in enumerate(logs)]
    memory, _ = watched(DESK, [*rows, Row(1.01, 1e6)])
    (point,) = memory.history.series["running hot"]
    assert pytest.approx(6.0, abs=0.05) == point.log_ohm  # 64 values are kept: sigma 0.016
    assert pytest.approx((60.0, 100.0), abs=0.01) == point.covariates[:2]
    assert pytest.approx(0.1, rel=0.35) == point.spread
    assert 3.0 == point.lowest


def test_trend_is_the_same_object_until_an_interval_closes():
    """Between intervals the trend and the history are handed on as they are."""
    memory, trend = watched(DESK, falling(-0.1, 20))
    later, again = watched(DESK, [Row(19.1, 1e6), Row(19.2, 1e6)], memory)
    assert again is trend
    assert later.history is memory.history
    closed, new = watched(DESK, [Row(20.1, 1e6)], later)
    assert new is not trend
    assert closed.history is not later.history


def test_other_tag_begins_anew():
    """Points of another resistance tag are forgotten, not mixed in."""
    memory, _ = watched(DESK, falling(-0.1, 20))
    other = TrendDesk(site({"resistance": "T1.LOAD"}), "T1")
    after, trend = other.step(memory, seen(Row(21.0, 1e6)), {"running": True, "hot": True})
    assert ({}, None) == (after.history.series, trend)


def test_machine_without_a_trend_has_none():
    """Where the site file asks for no trend, nothing is kept and nothing said."""
    plain = site()
    machine = plain.file.machines[0].model_copy(update={"trend": None})
    file = plain.file.model_copy(update={"machines": (machine,)})
    desk = TrendDesk(replace(plain, file=file), "T1")
    memory = TrendMemory()
    after, trend = desk.step(memory, seen(Row(0, 1e6)), {})
    assert trend is None
    assert after is memory


ROWS = st.builds(
    Row,
    st.just(0.0),
    st.floats(0.0, 1e7),
    st.sampled_from([AT_LEAST, AT_MOST, UNCERTAIN_LAST_USABLE_VALUE, *([Row(0, 0).status] * 3)]),
    st.sampled_from([True, False, None]),
    st.sampled_from([True, False, None]),
    temp=st.none() | st.floats(-20, 200),
    speed=st.none() | st.floats(0, 120),
)


@settings(max_examples=40)
@given(st.lists(st.tuples(ROWS, st.floats(0.0, 1.0)), max_size=60))
def test_memory_reads_back_and_goes_on_the_same(steps):
    """Saved and loaded after any steps the memory is equal, and goes on to the same trend."""
    memory, loaded, hours = TrendMemory(), TrendMemory(), 0.0
    trend = again = None
    for row, later in steps:
        hours += later
        states = {"running": row.running, "hot": row.hot}
        now = seen(replace(row, hours=hours))
        memory, trend = DESK.step(memory, now, states)
        loaded = MEMORY.validate_json(MEMORY.dump_json(loaded))
        loaded, again = DESK.step(loaded, now, states)
    assert memory == loaded
    assert trend == again


def test_memory_is_flat_over_a_hundred_thousand_steps():
    """After the rings are full, 10^5 further steps leave the memory no larger."""
    watch = {"resistance": "T1.R", "temperature": "T1.TEMP", "interval": "1 h", "points": 10}
    desk = TrendDesk(site(watch), "T1")
    rng = np.random.default_rng(8)
    memory, sizes = TrendMemory(), []
    for block in range(11):
        for i in range(10_000):
            hours = (block * 10_000 + i) / 120
            row = Row(hours, 1e6 * 10 ** (0.1 * rng.normal()), temp=50.0, running=i % 2 == 0)
            memory, _ = desk.step(memory, seen(row), {"running": row.running, "hot": True})
        sizes.append(len(MEMORY.dump_json(memory)))
        assert all(len(points) <= 10 for points in memory.history.series.values())
        assert all(len(g.values) <= 64 for g in memory.gathering.values())
    # An open interval holds between 0 and 64 values of two states, some 1500 bytes.
    assert max(sizes[1:]) - min(sizes[1:]) <= 3000


def test_step_without_an_interval_end_is_cheap():
    """Within an interval a fresh value costs far less than 0.1 ms, no news next to nothing."""
    memory, _ = watched(DESK, falling(-0.1, 250))
    rows = [seen(Row(249.1 + i / 1e4, 1e6, temp=70.0, speed=100.0)) for i in range(3000)]

    def cost_s(desk: TrendDesk, steps: list[Seen]) -> float:
        best, states = 1.0, {"running": True, "hot": True}
        for _ in range(5):
            kept, began = memory, time.perf_counter()
            for step in steps:
                kept, _ = desk.step(kept, step, states)
            best = min(best, (time.perf_counter() - began) / len(steps))
        return best

    assert cost_s(DESK, rows) < 100e-6
    assert cost_s(DESK, [rows[0]] * 3000) < 20e-6
