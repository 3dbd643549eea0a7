"""What an apparent location may be, with the bridge's waveforms computed here."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.rotor.measured import Measured
from gateway.rotor.rectifier import (
    AC_THIRD_PU,
    HALF_SIXTH_PU,
    PHASE_FUNDAMENTAL_PU,
    Explanation,
    Harmonics,
    explanations,
)
from tests.rotor.circuits import exact

ONE, TWO = Explanation.ONE_FAULT, Explanation.TWO_FAULTS
PHASE, NEUTRAL = Explanation.AC_PHASE, Explanation.AC_NEUTRAL
MIDDLE = Measured(0.5, 0.01)


def bridge() -> dict[str, tuple[float, dict[int, float]]]:
    """Potentials against the negative terminal of an ideal diode bridge, sampled over a period.

    Mean over the mean field voltage, and amplitudes of harmonics over it.
    """
    angle = 2 * np.pi * np.arange(6000) / 6000
    phases = np.array([np.cos(angle - k * 2 * np.pi / 3) for k in range(3)])
    positive, negative = phases.max(axis=0), phases.min(axis=0)
    field = positive - negative
    found = {}
    for name, potential in (
        ("field", field),
        ("middle", field / 2),
        ("neutral", -negative),
        ("phase", phases[0] - negative),
        ("neutral, tap in the middle", -negative - field / 2),
    ):
        spectrum = np.fft.rfft(potential / field.mean()) / len(angle)
        amplitudes = {n: float(2 * abs(spectrum[n])) for n in (1, 3, 6, 12)}
        found[name] = float(spectrum[0].real), amplitudes
    found["mean over the phase amplitude"] = float(field.mean()), {}
    return found


BRIDGE = bridge()


def content(name: str, u: float = 0.001) -> Harmonics:
    """The harmonics that the measuring current shows with a fault at this potential."""
    amplitudes = BRIDGE[name][1]
    return Harmonics(*(Measured(amplitudes[n], u) for n in (1, 3, 6)))


def test_signatures_are_those_of_the_bridge() -> None:
    """60.46 % fundamental, 12.5 % third, 2.857 % sixth: from the waveform, not from a table."""
    assert 1.653987 == pytest.approx(BRIDGE["mean over the phase amplitude"][0], abs=1e-6)
    field = BRIDGE["field"][1]
    assert (0.05714, 0.01399) == pytest.approx((field[6], field[12]), abs=1e-5)
    for name in ("middle", "neutral", "phase"):
        assert 0.5 == pytest.approx(BRIDGE[name][0], abs=1e-6)  # all three read as the middle
    neutral, phase, middle = (BRIDGE[name][1] for name in ("neutral", "phase", "middle"))
    assert AC_THIRD_PU == pytest.approx(neutral[3], abs=1e-6)
    assert AC_THIRD_PU == pytest.approx(phase[3], abs=1e-6)
    assert PHASE_FUNDAMENTAL_PU == pytest.approx(phase[1], abs=1e-6)
    assert 0.6046 == pytest.approx(PHASE_FUNDAMENTAL_PU, abs=5e-5)
    assert HALF_SIXTH_PU == pytest.approx(neutral[6], abs=1e-6)
    assert HALF_SIXTH_PU == pytest.approx(middle[6], abs=1e-6)
    assert 0.0 == pytest.approx(middle[3], abs=1e-9)
    assert 0.0 == pytest.approx(neutral[1], abs=1e-9)
    assert 0.0 == pytest.approx(BRIDGE["neutral, tap in the middle"][1][6], abs=1e-9)


@pytest.mark.parametrize(
    ("name", "remain"),
    [("middle", {ONE, TWO}), ("neutral", {TWO, NEUTRAL}), ("phase", {TWO, PHASE})],
)
def test_harmonics_tell_the_sides_apart(name: str, remain: set[Explanation]) -> None:
    """With all harmonics seen, the other side is excluded; two faults always remain."""
    assert remain == explanations(MIDDLE, content(name))


@pytest.mark.parametrize(
    "harmonics",
    [
        None,
        Harmonics(),
        Harmonics(exact(0.0), exact(0.0), exact(0.0)),  # filtered: nothing gets through
        Harmonics(exact(0.0), exact(0.0), None),
        Harmonics(exact(0.3), None, exact(0.0)),  # a fundamental alone may be the mains
        Harmonics(Measured(0.0, 0.2), Measured(0.0, 0.05), exact(0.03)),  # too vague
    ],
)
def test_without_harmonics_all_remain(harmonics: Harmonics | None) -> None:
    """What is not seen, or filtered away, excludes nothing."""
    assert set(Explanation) == explanations(MIDDLE, harmonics)


def test_tap_in_the_middle_cancels_the_sixth() -> None:
    """A symmetric coupling shows the third of the AC side, and no sixth to trust in absences."""
    seen = explanations(MIDDLE, content("neutral, tap in the middle"))
    assert {TWO, PHASE, NEUTRAL} == seen


def test_mains_pick_up_is_no_fault_of_the_ac_side() -> None:
    """A fundamental without a third harmonic is not the AC side."""
    hum = Harmonics(exact(0.5), exact(0.0), exact(HALF_SIXTH_PU))
    assert {ONE, TWO} == explanations(MIDDLE, hum)


@pytest.mark.parametrize(
    ("place", "u", "possible"), [(0.5, 0.0, 4), (0.519, 0.01, 4), (0.53, 0.01, 2), (0.2, 0.01, 2)]
)
def test_only_the_middle_can_be_the_ac_side(place: float, u: float, possible: int) -> None:
    """Away from 0.5 by more than twice its uncertainty, a place is in the winding."""
    found = explanations(Measured(place, u))
    assert possible == len(found)
    assert {ONE, TWO} <= found


def test_words_say_what_is_meant() -> None:
    """Each explanation reads as a sentence's part to an operator."""
    assert "a fault near the neutral on the AC side of the rectifier" == NEUTRAL
    assert "one fault in the winding at the place read" == ONE


amplitudes = st.none() | st.builds(Measured, st.floats(0.0, 1.0), st.floats(0.0, 0.2))
places = st.builds(Measured, st.floats(0.0, 1.0), st.floats(0.0, 0.1))


@given(places, st.builds(Harmonics, amplitudes, amplitudes, amplitudes))
def test_never_a_single_guess(place: Measured, harmonics: Harmonics) -> None:
    """At least two explanations remain, and counting from the other end changes none."""
    found = explanations(place, harmonics)
    assert len(found) >= 2
    assert TWO in found
    assert found <= explanations(place)
    mirrored = Measured(1 - place.value, place.u)
    if abs(abs(place.value - 0.5) - 2 * place.u) > 1e-9:
        assert found == explanations(mirrored, harmonics)
