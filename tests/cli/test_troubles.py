"""What the command line says when the system refuses it something."""

import errno
import os
import socket
from pathlib import Path

import pytest
from click.testing import CliRunner

from gateway.cli import main

SITE = Path(__file__).parents[2] / "config" / "demo.yaml"


def test_system_errors_are_one_text(monkeypatch: pytest.MonkeyPatch) -> None:
    """Whatever the system refuses is told with its path in one line, and no traceback."""

    def refuse(_: object) -> bool:
        raise PermissionError(errno.EACCES, os.strerror(errno.EACCES), "/var/lib/rotor/wall.sock")

    monkeypatch.setattr(Path, "exists", refuse)
    result = CliRunner().invoke(main, ["alarms", str(SITE)])
    assert result.output.startswith("/var/lib/rotor/wall.sock: permission denied; check")
    assert (1, 1) == (result.exit_code, result.output.count("\n"))


def test_alarms_of_no_gateway_are_refused_at_once(tmp_path: Path) -> None:
    """Without a gateway in the state directory nothing waits; the text names the directory."""
    result = CliRunner().invoke(main, ["alarms", str(SITE), "--state", str(tmp_path)])
    assert result.output.startswith(f"no gateway runs with the state directory {tmp_path};")
    assert 1 == result.exit_code


def test_state_directory_too_deep_for_a_socket_is_refused_at_the_start(tmp_path: Path) -> None:
    """Such a gateway could never start its sides, so it does not try for ever."""
    deep = tmp_path / ("x" * 110)
    result = CliRunner().invoke(main, ["run", str(SITE), "--state", str(deep)])
    assert (1, True) == (result.exit_code, "Choose a state directory" in result.output)
    assert not deep.exists()


def test_demo_does_not_look_at_the_plant_of_another_one(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A port that another program has is named before anything is shown or started."""
    monkeypatch.chdir(tmp_path)
    with socket.create_server(("127.0.0.1", 0)) as other:
        port = other.getsockname()[1]
        options = ["--port-base", str(port), "--state", str(tmp_path / "state"), "--duration", "1"]
        result = CliRunner().invoke(main, ["demo", *options])
    assert result.output.startswith(f"port {port} of 127.0.0.1, for the simulated devices, cannot")
    assert 1 == result.exit_code
