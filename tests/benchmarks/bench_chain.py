"""What the pure chain costs a tag, against decoding alone in the same run.

The baseline is what any gateway must do: unpack the registers and scale them, nothing judged.
"""

import struct
import time
from pathlib import Path

from gateway.chain import Chain
from gateway.site.installed import Site
from gateway.tags import GOOD, Frame, Instant, Reading
from tests.benchmarks.demo_site import demo_site

STEPS = 3000
REPEATS = 5
SECOND_NS = 10**9


def _steps(site: Site, machine: str) -> list[tuple[list[Reading], Instant]]:
    """Steps in which every point of the machine is read anew, with values that move."""
    points = sorted(Chain(site, machine).points)
    widths = {
        f"{d.name}.{p.name}": p.width for d in site.file.devices for p in site.profile_of(d).points
    }
    found = []
    for n in range(STEPS):
        at = Instant(1_790_000_000 * SECOND_NS + n * SECOND_NS, n * SECOND_NS)
        readings = []
        for point in points:
            value = struct.unpack(">2H", struct.pack(">f", 40.0 + n % 7))
            words = (1,) if ".in" in point or "status" in point else (n % 9 + 9000, *value)[:1]
            if widths[point] == 2:
                words = value
            readings.append(Reading(point, words, GOOD, at))
        found.append((readings, at))
    return found


def _chain_s(site: Site, machine: str, steps: list[tuple[list[Reading], Instant]]) -> float:
    chain = Chain(site, machine)
    begin_s = time.process_time()
    for readings, at in steps:
        chain.step(readings, at)
    return time.process_time() - begin_s


def _decoding_s(steps: list[tuple[list[Reading], Instant]]) -> float:
    begin_s = time.process_time()
    for readings, _ in steps:
        for reading in readings:
            raw = struct.pack(f">{len(reading.words)}H", *reading.words)
            (number,) = struct.unpack(">f" if len(raw) == 4 else ">h", raw)
            _ = number * 0.1
    return time.process_time() - begin_s


def _saving_s(site: Site, machine: str, steps: list[tuple[list[Reading], Instant]]) -> float:
    """Only what follows a step: the Frame's bytes and the saved state."""
    chain = Chain(site, machine)
    spent_s = 0.0
    for readings, at in steps:
        frame: Frame = chain.step(readings, at)
        begin_s = time.process_time()
        frame.encode()
        chain.save()
        spent_s += time.process_time() - begin_s
    return spent_s


def test_chain_cost_of_a_tag(tmp_path: Path) -> None:
    """Prints microseconds a tag and step; bound only so that a blunder is seen."""
    site = demo_site(tmp_path)
    for machine in ("U1", "U2"):
        steps = _steps(site, machine)
        tags = len(site.tags_of(machine)) * STEPS
        chain_s = min(_chain_s(site, machine, steps) for _ in range(REPEATS))
        decoding_s = min(_decoding_s(steps) for _ in range(REPEATS))
        saving_s = min(_saving_s(site, machine, steps) for _ in range(2))
        print(
            f"\n{machine}: {len(site.tags_of(machine))} tags: chain {chain_s / tags * 1e6:.1f} us "
            f"a tag, {chain_s / decoding_s:.1f} x decoding alone "
            f"({decoding_s / tags * 1e6:.2f} us); frame and state to bytes "
            f"{saving_s / tags * 1e6:.1f} us a tag"
        )
        # A fault alarm stands in these steps, so its evidence is weighed in each of them.
        assert chain_s < 300 * decoding_s
