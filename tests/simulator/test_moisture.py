"""The moisture law: what it promises, whatever the steps in which it is asked."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from simulator import moisture
from simulator.moisture import Air, Wetness

HUMID = Air(temperature_c=18.0, humidity=0.85, speed=0.0)
HOT = Air(temperature_c=75.0, humidity=0.45, speed=1.0)
airs = st.builds(
    Air,
    temperature_c=st.floats(-20, 150),
    humidity=st.floats(0, 1),
    speed=st.floats(0, 1.2),
)


def test_a_night_makes_wet_and_a_day_dries() -> None:
    """Tens of kohm after two humid days at standstill, megohms after one hot day (practice)."""
    wet = moisture.followed(0.0, HUMID, 2 * 86400.0)
    assert 1e4 < moisture.insulation_ohm(5e6, wet) < 1e5
    dry = moisture.followed(wet, HOT, 86400.0)
    assert 3e6 < moisture.insulation_ohm(5e6, dry) < 5e6


@given(st.floats(0, 1), airs, st.floats(0, 1e6), st.floats(0, 1e6))
def test_two_durations_are_as_good_as_one(
    wetness: float, air: Air, first_s: float, then_s: float
) -> None:
    """In unchanged air it does not matter when one looks, and wetness stays a share."""
    once = moisture.followed(wetness, air, first_s + then_s)
    twice = moisture.followed(moisture.followed(wetness, air, first_s), air, then_s)
    assert pytest.approx(once, abs=1e-9) == twice
    assert 0.0 <= once <= 1.0


@given(st.lists(st.floats(0, 1e5), min_size=1, max_size=20))
def test_asking_changes_nothing(times_s: list[float]) -> None:
    """The wetness at the last time is the same whether or not it was asked for before."""

    def wetness() -> Wetness:
        return Wetness(
            lambda time_s: (3000.0, 0.9) if time_s >= 3000.0 else (0.0, 0.3),
            lambda time_s: HOT if time_s > 20_000 else HUMID,
        )

    asked = wetness()
    for time_s in sorted(times_s):
        last = asked.at(time_s)
    assert wetness().at(max(times_s)) == last


def test_what_is_told_counts_from_when_it_is_told() -> None:
    """At the told time the wetness is the told one, a moment before it is what it had become."""
    told = Wetness(lambda time_s: (900.0, 0.9) if time_s >= 900.0 else (0.0, 0.3), lambda _: HOT)
    assert pytest.approx(moisture.followed(0.3, HOT, 899.0), abs=1e-12) == told.at(899.0)
    assert 0.9 == told.at(900.0)
