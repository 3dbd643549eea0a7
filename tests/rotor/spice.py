"""The measuring circuit as a netlist for ngspice, which knows nothing of rotors.

The winding is twenty segments, each a source of its share of the field voltage and its copper;
the capacitance is spread over the nodes between them, a fault has a node of its own, both coupling
resistors are there, and an ideal field source holds the ends apart. Record time 0 comes after as
many periods as the circuit needs to forget its beginning.
"""

from __future__ import annotations

import subprocess
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from math import ceil
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline  # type: ignore[import-untyped]

from tests.rotor.circuits import Coupling

Floats = NDArray[np.float64]
Points = tuple[tuple[float, float], ...]

SEGMENTS = 20
# Every jump of a voltage takes this share of a half-cycle, with its instant in the middle. ngspice
# joins corners that are closer than 5e-5 of its longest step.
_EDGE = 5e-6
_STEPS = 200
_FORGOTTEN = 18.0  # time constants: 2e-8 is left
_TIMEOUT_S = 60.0
# Gear's formulas damp the nanoseconds of the copper, where the trapezoidal rule would ring. Errors
# count from the charge of a node at the pulse's amplitude and from a share of its full current on:
# ngspice would make its steps smaller and smaller where nodes are near to earth, or settled.
_OPTIONS = "method=gear maxord=3 trtol=1 reltol=1e-10 vntol=1e-9"
_ABSTOL = 2e-9


@dataclass(frozen=True, slots=True)
class Bench:
    """A winding with faults (place, ohm) under a pulse source, and its field voltage over time.

    `field_v` is a line through points (seconds, volts), level outside; two points at one time
    make a step. Record time 0 is the beginning of a positive half-cycle.
    """

    faults: tuple[tuple[float, float], ...]
    capacitance_f: float
    coupling: Coupling
    amplitude_v: float
    half_s: float
    field_v: Points
    copper_ohm: float = 0.2

    @property
    def source_ohm(self) -> float:
        """Everything in series with the winding."""
        coupling = self.coupling
        if coupling.positive_ohm is None:
            return coupling.measuring_ohm
        together = coupling.positive_ohm + coupling.negative_ohm
        return coupling.measuring_ohm + coupling.positive_ohm * coupling.negative_ohm / together

    @property
    def edge_s(self) -> float:
        """How long a jump of a voltage takes."""
        return _EDGE * self.half_s

    @property
    def tap_pu(self) -> float:
        coupling = self.coupling
        if coupling.positive_ohm is None:
            return 0.0
        return coupling.negative_ohm / (coupling.positive_ohm + coupling.negative_ohm)

    @property
    def fault_ohm(self) -> float:
        """All faults in parallel."""
        return 1 / sum(1 / ohm for _, ohm in self.faults)

    @property
    def place_pu(self) -> float:
        """The mean of the places, weighted with the conductances."""
        return self.fault_ohm * sum(place / ohm for place, ohm in self.faults)

    @property
    def tau_s(self) -> float:
        """C R0 Rf / (R0 + Rf)."""
        return self.capacitance_f / (1 / self.source_ohm + 1 / self.fault_ohm)

    def field_at(self, instants_s: Floats) -> Floats:
        """The field voltage at instants that are no steps."""
        times, volts = np.array(self.field_v).T
        # np.interp wants rising times.
        return np.interp(instants_s, times + 1e-12 * np.arange(len(times)), volts)


def source_current_a(bench: Bench, instants_s: Floats) -> Floats:
    """The current out of the pulse source at rising record times, as ngspice has it.

    No instant may lie within `edge_s` of a reversal or a step. Raises RuntimeError with the words
    of ngspice where it does not simulate to the end, FileNotFoundError where there is none.
    """
    warm_s = 2 * bench.half_s * ceil(_FORGOTTEN * bench.tau_s / (2 * bench.half_s))
    until_s = float(instants_s[-1])
    time_s, current_a = _run(netlist(bench, warm_s, until_s), warm_s + until_s)
    # Corners of two voltages at one instant give two points next to each other.
    apart = np.diff(time_s, prepend=-np.inf) > bench.edge_s / 1000
    time_s, current_a = time_s[apart] - warm_s - bench.edge_s / 2, current_a[apart]
    turns = [k * bench.half_s for k in range(int(until_s / bench.half_s) + 2)]
    corners = sorted({*turns, *(t for t, _ in bench.field_v if 0 < t < until_s)})
    found = np.full(len(instants_s), np.nan)
    for begin_s, end_s in pairwise(corners):
        wanted = (instants_s > begin_s) & (instants_s < end_s)
        # Corners of the voltages are points of the simulation; between them all is smooth.
        there = (time_s > begin_s + 0.499 * bench.edge_s) & (time_s < end_s - 0.499 * bench.edge_s)
        if wanted.any():
            found[wanted] = CubicSpline(time_s[there], current_a[there])(instants_s[wanted])
    return found


def netlist(bench: Bench, warm_s: float, until_s: float) -> str:
    """The circuit in ngspice's language, with record time 0 at `warm_s`."""
    places = sorted({*(k / SEGMENTS for k in range(SEGMENTS + 1)), *(p for p, _ in bench.faults)})
    last, coupling = len(places) - 1, bench.coupling
    lines = ["* field winding under a pulse source"]
    for k, (left, right) in enumerate(pairwise(places)):
        lines.append(f"E{k} m{k} n{k} uf 0 {right - left:.15g}")
        lines.append(f"R{k} m{k} n{k + 1} {bench.copper_ohm * (right - left):.15g}")
    lines.append(f"EF n{last} n0 uf 0 1")
    for k in range(SEGMENTS + 1):
        share = (0.5 if k in (0, SEGMENTS) else 1.0) / SEGMENTS
        node = places.index(k / SEGMENTS)
        lines.append(f"C{k} n{node} 0 {bench.capacitance_f * share:.15g}")
    lines += [f"RF{k} n{places.index(p)} 0 {ohm:.15g}" for k, (p, ohm) in enumerate(bench.faults)]
    if coupling.positive_ohm is None:
        lines.append(f"RM p n0 {coupling.measuring_ohm:.15g}")
    else:
        lines.append(f"RM p s {coupling.measuring_ohm:.15g}")
        lines.append(f"RCP s n{last} {coupling.positive_ohm:.15g}")
        lines.append(f"RCN s n0 {coupling.negative_ohm:.15g}")
    e, half_s, edge_s = bench.amplitude_v, bench.half_s, bench.edge_s
    # From pieces like the field voltage, so that both have their corners at the very same instants.
    turns = range(-round(warm_s / half_s), ceil(until_s / half_s) + 1)
    square = [(k * half_s, e if k % 2 == after else -e) for k in turns for after in (1, 0)]
    lines.append(f"VP p 0 PWL({_line(square, warm_s, edge_s)})")
    lines.append(f"VF uf 0 PWL({_line(bench.field_v, warm_s, edge_s)})")
    end_s = warm_s + until_s + 2 * half_s
    lines += [
        f".options {_OPTIONS} abstol={_ABSTOL * e / bench.source_ohm:.3g} "
        f"chgtol={bench.capacitance_f * e / SEGMENTS:.3g}",
        ".control",
        "set filetype=binary",
        f"tran {half_s / _STEPS:.15g} {end_s:.15g} {warm_s:.15g} {half_s / _STEPS:.15g}",
        "write out.raw i(vp)",
        ".endc",
        ".end",
    ]
    return "\n".join(lines) + "\n"


def _line(points: Sequence[tuple[float, float]], warm_s: float, edge_s: float) -> str:
    """Points as times and values that rise, a step over one edge around its instant."""
    found = [(0.0, points[0][1])]
    times = [time_s for time_s, _ in points]
    for k, (time_s, volts) in enumerate(points):
        to_edge = 0.0 if time_s in times[k + 1 :] else 1.0 if time_s in times[:k] else 0.5
        at_s = warm_s + time_s + to_edge * edge_s
        if at_s > 0:
            found.append((at_s, volts))
    return " ".join(f"{time_s:.15g} {volts:.15g}" for time_s, volts in found)


def _run(circuit: str, end_s: float) -> tuple[Floats, Floats]:
    """Times and source currents of one simulation."""
    with tempfile.TemporaryDirectory() as folder:
        (Path(folder) / "in.cir").write_text(circuit, encoding="ascii")
        done = subprocess.run(
            ["ngspice", "-b", "in.cir"],
            cwd=folder,
            capture_output=True,
            text=True,
            timeout=_TIMEOUT_S,
            check=False,
        )
        raw = Path(folder) / "out.raw"
        if not raw.is_file():
            raise RuntimeError(f"ngspice did not simulate:\n{done.stdout}{done.stderr}")
        head, _, body = raw.read_bytes().partition(b"Binary:\n")
    if b"No. Variables: 2" not in head:
        raise RuntimeError(f"ngspice wrote something else than time and current:\n{head!r}")
    time_s, into_a = np.frombuffer(body, "<f8").reshape(-1, 2).T
    if time_s[-1] < end_s:
        raise RuntimeError(f"ngspice gave up at {time_s[-1]} s:\n{done.stdout}{done.stderr}")
    # SPICE counts the current into the positive end of a source.
    return time_s, -into_a
