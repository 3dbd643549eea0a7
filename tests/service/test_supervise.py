"""The supervisor, with real processes that are killed, stopped and hung."""

import json
import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from queue import Empty, Queue
from threading import Thread

import pytest

import gateway
from gateway.service.supervise import StateBusy, restart_delay_s, state_lock
from gateway.service.systemd import notify

PROGRAM = Path(__file__).with_name("supervised_program.py")


class Program:
    """The supervised program, what it told, and its processes."""

    def __init__(self, process: subprocess.Popen[str]) -> None:
        self.process = process
        self.pids: set[int] = set()
        self.errors: list[str] = []
        self._lines: Queue[list[str]] = Queue()
        self._kept: list[list[str]] = []
        assert process.stdout is not None
        assert process.stderr is not None
        self._threads = [
            Thread(target=self._read, args=(process.stdout,)),
            Thread(target=self.errors.extend, args=(process.stderr,)),
        ]
        for thread in self._threads:
            thread.start()

    def _read(self, stream: Iterator[str]) -> None:
        for line in stream:
            words = line.split()
            self.pids.add(int(words[2]))
            self._lines.put(words)

    def next(self, role: str, event: str, within_s: float = 10.0) -> int:
        """The process that tells this event next."""
        pid = self.told(role, event, within_s)
        if pid is None:
            pytest.fail(f"no {role} {event}; log: {''.join(self.errors)}")
        return pid

    def told(self, role: str, event: str, within_s: float) -> int | None:
        """The same, None if nobody tells it in time. Other events are kept."""
        deadline_s = time.monotonic() + within_s
        with suppress(Empty):
            while True:
                for words in self._kept:
                    if words[:2] == [role, event]:
                        self._kept.remove(words)
                        return int(words[2])
                left_s = deadline_s - time.monotonic()
                self._kept.append(self._lines.get(timeout=max(0.001, left_s)))
        return None

    def signal(self, number: signal.Signals) -> float:
        """Send the supervisor a signal; how long until all of its processes are gone."""
        begin_s = time.monotonic()
        self.process.send_signal(number)
        self.process.wait(10)
        while any(alive(pid) for pid in self.pids):
            assert time.monotonic() - begin_s < 10, "a process is left"
            time.sleep(0.01)
        return time.monotonic() - begin_s

    def close(self) -> None:
        for pid in (self.process.pid, *self.pids):
            with suppress(ProcessLookupError):
                os.kill(pid, signal.SIGKILL)
        self.process.wait()
        for thread in self._threads:
            thread.join(5)
        for stream in (self.process.stdout, self.process.stderr):
            assert stream is not None
            stream.close()

    @property
    def log(self) -> list[dict[str, object]]:
        return [json.loads(line) for line in self.errors]


def alive(pid: int) -> bool:
    """Whether the process runs; one that ended and waits to be reaped does not."""
    try:
        stat = Path(f"/proc/{pid}/stat").read_text()
    except (FileNotFoundError, ProcessLookupError):
        return False
    return stat.rpartition(")")[2].split()[0] not in "ZX"


@contextmanager
def running(state: Path, *roles: str, **environment: str) -> Iterator[Program]:
    root = str(Path(gateway.__file__).parents[1])
    process = subprocess.Popen(
        [sys.executable, str(PROGRAM), str(state), *roles],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env={**os.environ, "PYTHONPATH": root, **environment},
    )
    program = Program(process)
    try:
        yield program
    finally:
        program.close()


def pid_of(state: Path, role: str) -> int:
    """From its pid file, which the supervisor may write a moment after the role is up."""
    file = state / f"{role}.pid"
    deadline_s = time.monotonic() + 2
    while not file.exists() and time.monotonic() < deadline_s:
        time.sleep(0.005)
    return int(file.read_text())


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_stop(tmp_path: Path, number: signal.Signals) -> None:
    """SIGTERM and SIGINT stop all roles in good order, with code 0 and nothing left."""
    with running(tmp_path, "good-a", "good-b") as program:
        pids = {program.next("good-a", "up"), program.next("good-b", "up")}
        assert pids == {pid_of(tmp_path, "good-a"), pid_of(tmp_path, "good-b")}
        assert program.signal(number) < 1.5
        assert 0 == program.process.returncode
        program.next("good-a", "stopped")
        assert ["lock"] == [p.name for p in tmp_path.iterdir()]


def test_ctrl_c_reaches_the_whole_group(tmp_path: Path) -> None:
    """An interrupt that every process gets is answered by the supervisor alone."""
    with running(tmp_path, "good") as program:
        pid = program.next("good", "up")
        os.kill(pid, signal.SIGINT)
        assert not program.told("good", "stopped", 0.3)
        assert alive(pid)


@pytest.mark.parametrize("role", ["deaf", "stubborn", "hung"])
def test_stop_of_what_will_not_stop(tmp_path: Path, role: str) -> None:
    """Within two seconds everything is gone, also what ignores the stop, SIGTERM, or hangs."""
    with running(tmp_path, "good", role) as program:
        program.next(role, "hangs" if role == "hung" else "up")
        assert program.signal(signal.SIGTERM) < 2.0
        assert 0 == program.process.returncode


@pytest.mark.parametrize("role", ["good", "deaf", "stubborn", "hung"])
def test_killed_supervisor(tmp_path: Path, role: str) -> None:
    """When the supervisor is killed its processes end within two seconds, whatever they do."""
    with running(tmp_path, role, "good-b") as program:
        program.next(role, "hangs" if role == "hung" else "up")
        program.next("good-b", "up")
        assert program.signal(signal.SIGKILL) < 2.0
        with state_lock(tmp_path):
            pass


def test_killed_role_is_back_at_once(tmp_path: Path) -> None:
    """A killed role is restarted at once, the other goes on; each further death waits longer."""
    with running(tmp_path, "good-a", "good-b") as program:
        pid, other = program.next("good-a", "up"), program.next("good-b", "up")
        gaps_s = []
        for _ in range(4):
            os.kill(pid, signal.SIGKILL)
            begin_s = time.monotonic()
            fresh = program.next("good-a", "up")
            gaps_s.append(time.monotonic() - begin_s)
            assert fresh not in (pid, other)
            pid = fresh
        assert alive(other)
        assert pid == pid_of(tmp_path, "good-a")
        assert program.signal(signal.SIGTERM) < 1.5
        assert gaps_s[0] < 0.5
        assert 0.2 <= gaps_s[2] < 0.6
        assert 0.4 <= gaps_s[3] < 0.9
        lost = [line for line in program.log if line["event"] == "role lost"]
        assert ["killed, SIGKILL"] * 4 == [line["how"] for line in lost]
        assert [1, 2, 3, 4] == [line["deaths"] for line in lost]


def test_role_that_keeps_failing(tmp_path: Path) -> None:
    """A role that dies again and again is given a rest, which is said, and disturbs no other."""
    rules = "_RESTART_FIRST_S=0.001 _RESTART_MOST_S=0.01"
    with running(tmp_path, "good", "failing", RULES=rules) as program:
        for _ in range(11):
            program.next("failing", "up")
        assert not program.told("failing", "up", 1.0)
        assert alive(pid_of(tmp_path, "good"))
        assert program.signal(signal.SIGTERM) < 1.5
        lost = [line for line in program.log if line["event"] == "role lost"]
        assert (11, 30.0) == (lost[-1]["deaths"], lost[-1]["again_in_s"])
        assert "ended with code 1" == lost[-1]["how"]
        failed = [line for line in program.log if line["event"] == "role failed"]
        assert 11 == len(failed)
        assert "ZeroDivisionError" in json.dumps(failed[0])


def test_backoff_grows_and_is_bounded() -> None:
    """First at once, then longer each time up to five seconds, then half a minute."""
    assert [0.0, 0.1, 0.2, 0.4, 0.8, 1.6, 3.2, 5.0, 5.0, 5.0, 30.0] == [
        round(restart_delay_s(n), 9) for n in range(1, 12)
    ]


def test_role_that_ends_for_good(tmp_path: Path) -> None:
    """The end of a role that is not restarted ends all, with its exit code."""
    with running(tmp_path, "good", "short") as program:
        pid = program.next("good", "up")
        assert 3 == program.process.wait(5)
        assert not alive(pid)


def test_hung_role_is_killed_and_restarted(tmp_path: Path) -> None:
    """A role whose loop hangs is killed and restarted; the other goes on."""
    rules = "_SILENT_MOST_S=2"
    with running(tmp_path, "good", "hung", RULES=rules) as program:
        good = program.next("good", "up")
        first = program.next("hung", "up")
        assert first == program.next("hung", "hangs")
        assert first != program.next("hung", "up", 5)
        assert good == pid_of(tmp_path, "good")
        program.signal(signal.SIGTERM)
        assert "role hangs, killing it" in [line["event"] for line in program.log]


def test_stopped_supervisor_blames_nobody(tmp_path: Path) -> None:
    """After the whole gateway stood still for long, nobody is killed for having been silent."""
    with running(tmp_path, "good", RULES="_SILENT_MOST_S=3 _LATE_S=2") as program:
        pid = program.next("good", "up")
        time.sleep(1.5)
        for process in (pid, program.process.pid):
            os.kill(process, signal.SIGSTOP)
        time.sleep(4)
        os.kill(program.process.pid, signal.SIGCONT)
        time.sleep(0.3)
        os.kill(pid, signal.SIGCONT)
        assert not program.told("good", "up", 1.5)
        assert pid == pid_of(tmp_path, "good")


def test_one_gateway_a_state_directory(tmp_path: Path) -> None:
    """A second gateway on the same state directory is refused and told which process has it."""
    with running(tmp_path, "good") as program:
        program.next("good", "up")
        expected = rf"used by a running gateway \(process {program.process.pid}\)"
        begin_s = time.monotonic()
        with pytest.raises(StateBusy, match=expected), state_lock(tmp_path):
            pass
        assert time.monotonic() - begin_s < 1.0
        with running(tmp_path, "good") as second:
            assert 1 == second.process.wait(5)
        program.signal(signal.SIGTERM)
    with state_lock(tmp_path):
        pass


def test_state_directory_that_cannot_be(tmp_path: Path) -> None:
    """A state directory that does not exist is an error that says so."""
    with pytest.raises(StateBusy, match="Check that it exists"), state_lock(tmp_path / "none"):
        pass


@contextmanager
def service_manager(address: str) -> Iterator[socket.socket]:
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.bind(address.replace("@", "\0", 1) if address.startswith("@") else address)
        manager.settimeout(10)
        yield manager


def test_service_manager_is_told(tmp_path: Path) -> None:
    """READY=1 comes once all roles have proved to be alive, STOPPING=1 at the end."""
    address = str(tmp_path / "notify")
    with service_manager(address) as manager:
        with running(tmp_path, "good-a", "good-b", NOTIFY_SOCKET=address) as program:
            program.next("good-a", "up")
            assert b"READY=1" == manager.recv(100)
            program.signal(signal.SIGTERM)
            assert b"STOPPING=1" == manager.recv(100)


def test_watchdog_is_fed_only_while_all_prove_alive(tmp_path: Path) -> None:
    """Strokes come while all roles prove to be alive, and stop while one of them hangs."""
    address = "@gateway-test-watchdog-" + str(os.getpid())
    rules = "_PROVEN_WITHIN_S=1.6 _SILENT_MOST_S=60"
    environment = {"NOTIFY_SOCKET": address, "WATCHDOG_USEC": "400000", "RULES": rules}
    with service_manager(address) as manager:
        with running(tmp_path, "good", "hung", **environment) as program:
            program.next("hung", "up")
            before = [manager.recv(100) for _ in range(4)]
            assert b"WATCHDOG=1" in before
            program.next("hung", "hangs")
            time.sleep(3)
            manager.setblocking(False)
            with suppress(BlockingIOError):
                while True:
                    manager.recv(100)
            manager.settimeout(1.5)
            with pytest.raises(TimeoutError):
                manager.recv(100)
            assert program.process.poll() is None


def test_no_service_manager(monkeypatch: pytest.MonkeyPatch) -> None:
    """Without a manager, or with one that is gone, telling it harms nothing."""
    monkeypatch.delenv("NOTIFY_SOCKET", raising=False)
    notify("READY=1")
    monkeypatch.setenv("NOTIFY_SOCKET", "/nonexistent/notify")
    notify("READY=1")
