"""Rotor circuits for the tests, written apart from the code: one formula and one network."""

from dataclasses import dataclass

import numpy as np

from gateway.rotor.measured import Measured
from gateway.rotor.pulse_injection import HalfCycles, Source


@dataclass(frozen=True, slots=True)
class Coupling:
    """How a pulse reaches the winding: both coupling resistors and the measuring resistor."""

    positive_ohm: float | None  # None: not coupled to the positive end
    negative_ohm: float  # 0: straight to the negative end
    measuring_ohm: float


def exact(value: float) -> Measured:
    return Measured(value, 0.0)


def exact_half_cycles(i_p: float, i_n: float, v_p: float, v_n: float) -> HalfCycles:
    return HalfCycles(exact(i_p), exact(i_n), exact(v_p), exact(v_n))


def exact_source(amplitude_v: float, source_ohm: float, tap_pu: float) -> Source:
    return Source(exact(amplitude_v), exact(source_ohm), tap_pu)


def loop_current_a(
    source_v: float, field_v: float, loop_ohm: float, location_pu: float, tap_pu: float
) -> float:
    """Kirchhoff's voltage law around the one loop of a single fault."""
    return (source_v + (location_pu - tap_pu) * field_v) / loop_ohm


def network_current_a(
    source_v: float,
    field_v: float,
    coupling: Coupling,
    fault_ohm: float,
    location_pu: float,
    segments: int = 1000,
    winding_ohm: float = 1.0,
) -> float:
    """Current out of the pulse source by modified nodal analysis of the whole network.

    Nodes 0 to `segments` are the winding from its negative end, the next one is the star point S
    of the coupling, the last one the terminal of the pulse source. Two more unknowns are the
    currents of the ideal field source and of the ideal pulse source.
    """
    star, terminal = segments + 1, segments + 2
    nodes = segments + 3
    matrix = np.zeros((nodes + 2, nodes + 2))
    right = np.zeros(nodes + 2)

    def resistor(one: int, other: int | None, ohm: float) -> None:
        matrix[one, one] += 1 / ohm
        if other is not None:
            matrix[other, other] += 1 / ohm
            matrix[one, other] -= 1 / ohm
            matrix[other, one] -= 1 / ohm

    def source(row: int, plus: int, minus: int | None, volt: float) -> None:
        matrix[row, plus] = matrix[plus, row] = 1.0
        if minus is not None:
            matrix[row, minus] = matrix[minus, row] = -1.0
        right[row] = volt

    for n in range(segments):
        resistor(n, n + 1, winding_ohm / segments)
    if coupling.positive_ohm is None:
        resistor(star, 0, 1e-3)  # a wire
    else:
        resistor(star, segments, coupling.positive_ohm)
        resistor(star, 0, coupling.negative_ohm)
    resistor(terminal, star, coupling.measuring_ohm)
    resistor(round(location_pu * segments), None, fault_ohm)
    source(nodes, segments, 0, field_v)
    source(nodes + 1, terminal, None, source_v)
    potential = np.linalg.solve(matrix, right)
    return float(-potential[nodes + 1])
