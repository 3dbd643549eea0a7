"""kill -9 at a hundred random instants of stepping and recovering under alarm traffic."""

import multiprocessing
import random
import sqlite3
import time
from contextlib import closing
from dataclasses import dataclass, field
from pathlib import Path

from gateway.alarms.journal import Anchor
from gateway.archive import history, layout
from gateway.archive.journal_store import journal, journal_frame, verify
from gateway.chain import Chain
from gateway.tags import Frame
from tests.faults import stepping_child
from tests.rotor.plant import SITE

MiB = 2**20
KILLS = 100
ALWAYS = (0, 2**63 - 1)
PROCESSES = multiprocessing.get_context("forkserver")
PROCESSES.set_forkserver_preload(["tests.faults.stepping_child"])


def step_until_killed(path: Path, most_bytes: int, after_s: float) -> dict[str, int]:
    """The last sequence of each machine that the child said was on disk."""
    heard, told = PROCESSES.Pipe(duplex=False)
    child = PROCESSES.Process(target=stepping_child.run, args=(path, most_bytes, told))
    child.start()
    told.close()
    acknowledged = {}
    deadline_s = time.monotonic() + after_s
    with heard:
        while child.is_alive():
            left_s = deadline_s - time.monotonic()
            if left_s <= 0:
                child.kill()
                child.join(10.0)
            try:
                if heard.poll(max(0.0, left_s)):
                    machine, sequence = heard.recv_bytes().decode().split(maxsplit=1)
                    acknowledged[machine] = int(sequence)
            except EOFError:
                child.join(10.0)
        try:
            while heard.poll(0.0):
                machine, sequence = heard.recv_bytes().decode().split(maxsplit=1)
                acknowledged[machine] = int(sequence)
        except EOFError:
            pass
    assert -9 == child.exitcode
    return acknowledged


def begun(path: Path) -> bool:
    """Whether the archive has its tables: a child may be killed before that."""
    with closing(sqlite3.connect(path)) as connection:
        return not layout.is_empty(connection)


def saved_parts(path: Path) -> dict[str, tuple[int, dict[str, bytes]]]:
    """Sequence and parts of each machine as they lie in the file."""
    found: dict[str, tuple[int, dict[str, bytes]]] = {}
    with closing(sqlite3.connect(path)) as connection:
        assert [("ok",)] == connection.execute("pragma quick_check").fetchall()
        for machine, sequence, part, body in connection.execute(
            "select m.name, m.sequence, p.name, p.body from machine m "
            "join part p on p.machine = m.id"
        ):
            _, parts = found.setdefault(machine, (sequence, {}))
            parts[part] = layout.unpack_part(body)
    return found


@dataclass
class Witness:
    """Never killed: it replays what the archive has got since it last looked."""

    chains: dict[str, Chain] = field(
        default_factory=lambda: {m: Chain(SITE, m) for m in stepping_child.MACHINE_OF}
    )
    sequences: dict[str, int] = field(
        default_factory=lambda: dict.fromkeys(stepping_child.MACHINE_OF, 0)
    )
    head: Anchor = field(default_factory=Anchor)
    transitions: int = 0

    def look(self, path: Path, acknowledged: dict[str, int]) -> None:
        parts = saved_parts(path)
        verdict = verify(path, self.head)
        assert verdict.broken is None
        assert verdict.unproven == ""
        new: dict[tuple[str, int], Frame] = {}
        for machine, (sequence, saved) in parts.items():
            for frame in self._new_frames(path, machine):
                new[machine, frame.sequence] = frame
                chain = self.chains[machine]
                again = chain.step(frame.readings, frame.at, frame.commands, frame.gateway)
                assert frame.encode() == again.encode()
                assert self.sequences[machine] + 1 == frame.sequence
                self.sequences[machine] = frame.sequence
            assert sequence == self.sequences[machine]
            assert sequence >= acknowledged.get(machine, 0)
            assert saved == self.chains[machine].save()
            assert Chain.resumed(SITE, machine, saved, sequence).lost == ()
        entries = [e for e in journal(path, *ALWAYS) if e.number > self.head.number]
        brought = {(m, s): list(f.transitions) for (m, s), f in new.items() if f.transitions}
        kept: dict[tuple[str, int], list[object]] = {}
        for entry in entries:
            kept.setdefault((entry.machine, entry.sequence), []).append(entry.transition)
        assert brought == kept
        for entry in entries[-3:]:
            assert new[entry.machine, entry.sequence] == journal_frame(path, entry.number)
        self.transitions += len(entries)
        self.head = verdict.head

    def _new_frames(self, path: Path, machine: str) -> list[Frame]:
        last = self.sequences[machine]
        since_ns = stepping_child.NOON_NS + (last + 1) * stepping_child.SECOND
        return list(history.frames(path, machine, since_ns, ALWAYS[1]))


def test_nothing_is_lost_or_invented_at_a_hundred_kills(tmp_path: Path) -> None:
    """Whenever it is killed: Frames, journal and state are of one step and go on from there."""
    path = tmp_path / "archive.db"
    chance = random.Random(9)
    witness = Witness()
    grew = 0
    for _ in range(KILLS):
        before = dict(witness.sequences)
        # From before the file is open to well into the stepping.
        acknowledged = step_until_killed(path, 256 * MiB, chance.uniform(0.0, 0.25))
        if begun(path):
            witness.look(path, acknowledged)
        else:
            assert {} == acknowledged
            assert {0} == set(witness.sequences.values())
        grew += before != witness.sequences
    assert grew > KILLS / 3, "it was mostly killed before it had stepped"
    assert witness.transitions > KILLS


def test_the_journal_verifies_when_killed_while_it_drops_entries(tmp_path: Path) -> None:
    """Killed while the oldest entries go, what is kept of them fits what is left."""
    path = tmp_path / "archive.db"
    chance = random.Random(10)
    verdict = None
    for _ in range(12):
        step_until_killed(path, MiB, chance.uniform(0.5, 1.0))
        if not begun(path):
            continue
        verdict = verify(path, verdict.head if verdict is not None else None)
        assert verdict.broken is None
        numbers = [e.number for e in journal(path, *ALWAYS)]
        assert list(range(verdict.dropped.number + 1, verdict.head.number + 1)) == numbers
    assert verdict is not None
    assert verdict.dropped.number > 0, "nothing was dropped"
