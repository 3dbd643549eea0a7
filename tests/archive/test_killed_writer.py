"""What is promised to be on disk is there, whenever the writer is killed."""

import os
import random
import sqlite3
import subprocess
import sys
import time
from pathlib import Path

import gateway
from gateway.archive import history, layout

CHILD = Path(__file__).with_name("writing_child.py")
KILLS = 20
ALWAYS = (0, 2**63 - 1)


def write_until_killed(path: Path, max_bytes: int, after_s: float) -> dict[str, int]:
    """Run the writer, kill it `after_s` after it opened; the last acknowledged sequences."""
    root = str(Path(gateway.__file__).parents[1])
    with subprocess.Popen(
        [sys.executable, str(CHILD), str(path), str(max_bytes)],
        stdout=subprocess.PIPE,
        text=True,
        env={**os.environ, "PYTHONPATH": root},
    ) as child:
        assert child.stdout is not None
        assert "open 0\n" == child.stdout.readline()
        time.sleep(after_s)
        child.kill()
        lines = child.stdout.read().splitlines(keepends=True)
    assert -9 == child.returncode
    whole = [line.split() for line in lines if line.endswith("\n")]
    return {machine: int(sequence) for machine, sequence in whole}


def test_no_acknowledged_frame_is_lost(tmp_path: Path) -> None:
    """Killed at twenty random moments, every Frame whose write returned is there and whole."""
    path = tmp_path / "archive.db"
    rng = random.Random(20)
    acknowledged: dict[str, int] = {}
    for kill in range(KILLS):
        acknowledged |= write_until_killed(path, 256 * 1024 * 1024, rng.uniform(0.0, 0.15))
        # First as a reader finds it, the dead writer's journal still there.
        stored = {m: list(history.frames(path, m, *ALWAYS)) for m in acknowledged}
        with sqlite3.connect(path) as connection:
            assert [("ok",)] == connection.execute("pragma integrity_check").fetchall()
            states = {
                m: (s, layout.unpack_part(body))
                for m, s, body in connection.execute(
                    "select m.name, sequence, body from machine m join part p on p.machine = m.id"
                )
            }
        connection.close()
        for machine, last in acknowledged.items():
            sequences = [f.sequence for f in stored[machine]]
            assert list(range(1, len(sequences) + 1)) == sequences, f"kill {kill}"
            assert last <= sequences[-1], f"kill {kill}: {machine} lost acknowledged frames"
            newest = sequences[-1]
            assert (newest, b"after %d" % newest) == states[machine], f"kill {kill}"
            for f in stored[machine][-5:]:
                assert 20 == len(f.samples)
    assert {"G1", "G2"} == set(acknowledged)
    assert all(last > KILLS for last in acknowledged.values())


def test_killed_while_dropping(tmp_path: Path) -> None:
    """Killed while it drops its oldest Frames, the file stays whole: no Frame without its key."""
    path = tmp_path / "archive.db"
    rng = random.Random(4)
    acknowledged: dict[str, int] = {}
    for _ in range(8):
        acknowledged |= write_until_killed(path, 1024 * 1024, rng.uniform(0.3, 0.5))
        for machine, last in acknowledged.items():
            sequences = [f.sequence for f in history.frames(path, machine, *ALWAYS)]
            assert list(range(sequences[0], sequences[-1] + 1)) == sequences
            assert last <= sequences[-1]
        with sqlite3.connect(path) as connection:
            assert [("ok",)] == connection.execute("pragma integrity_check").fetchall()
            orphans = "select count(*) from sample where frame not in (select id from frame)"
            assert (0,) == connection.execute(orphans).fetchone()
        connection.close()
    assert sequences[0] > 1, "nothing was dropped"
