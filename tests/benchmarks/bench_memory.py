"""What a machine's chain costs a step over a million of them, and whether its memory stays flat.

Baseline is the chain's own first tenth: the last tenth must cost and hold no more.
"""

import gc
import math
import os
import struct
import time
from pathlib import Path

from gateway.chain import Chain
from gateway.tags import GOOD, Instant, Reading
from tests.benchmarks.demo_site import demo_site

STEPS = int(os.environ.get("STEPS", "1000000"))
SECOND_NS = 10**9
KINDS = {"int16": ">h", "uint16": ">H", "int32": ">i", "uint32": ">I", "float32": ">f"}


def _resident_bytes() -> int:
    """Resident memory of this process (proc(5), statm)."""
    pages = int(Path("/proc/self/statm").read_text().split()[1])
    return pages * os.sysconf("SC_PAGE_SIZE")


def test_a_million_steps(tmp_path: Path) -> None:
    """Prints the cost of a step, the saved state and the memory by tenths of the run."""
    site = demo_site(tmp_path)
    chain = Chain(site, "U1")
    points = {f"{d.name}.{p.name}": p for d in site.file.devices for p in site.profile_of(d).points}
    names = sorted(chain.points)

    def words(name: str, n: int) -> tuple[int, ...]:
        point = points[name]
        if point.type == "bool":
            return (1,)
        if name.endswith(("status", "heartbeat")):
            return (n & 0xFFFF,) if name.endswith("heartbeat") else (1,)
        # Days and seconds of a value that always moves and sometimes dips.
        swing = 1 + 0.2 * math.sin(n / 5000) + 0.001 * math.sin(n * 12.9898)
        value = 40.0 * swing if "negative" not in name else -35.0 * swing
        if "ch" in name.split(".")[1]:
            value = 9000 * swing
        raw = struct.pack(KINDS[point.type], value if point.type == "float32" else int(value))
        return struct.unpack(f">{len(raw) // 2}H", raw)

    tenth = STEPS // 10
    rows = []
    for part in range(10):
        begin_s, spent_s = part * tenth, 0.0
        for n in range(begin_s, begin_s + tenth):
            at = Instant(1_790_000_000 * SECOND_NS + n * SECOND_NS, n * SECOND_NS)
            readings = [Reading(name, words(name, n), GOOD, at) for name in names]
            start = time.process_time()
            frame = chain.step(readings, at)
            spent_s += time.process_time() - start
        gc.collect()
        state_bytes = sum(map(len, chain.save().values()))
        rows.append((spent_s / tenth * 1e6, state_bytes, _resident_bytes(), len(frame.encode())))
    print("\ntenth  us/step  state bytes  resident MiB  frame bytes")
    for part, (cost_us, state_bytes, resident, frame_bytes) in enumerate(rows, 1):
        resident_mib = resident / 2**20
        print(f"{part:5}  {cost_us:7.1f}  {state_bytes:11}  {resident_mib:12.1f}  {frame_bytes:11}")
    # The trend fills for ten days, 864,000 steps: from the ninth tenth on the state is full.
    assert rows[9][1] < 1.02 * rows[8][1]
    assert rows[9][2] < 1.05 * rows[4][2]
