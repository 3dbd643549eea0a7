"""Log lines, as a program writes them."""

import json
import os
import pty
import subprocess
import sys
from pathlib import Path

import gateway

PROGRAM = """
import logging, sys
from pathlib import Path
import structlog
from gateway.service.logs import set_up_logs

log = structlog.stdlib.get_logger("gateway.wall")
set_up_logs(Path(sys.argv[1]) if len(sys.argv) > 1 else None)
log.info("field side connected", path="/run/wall", factor=float("nan"))
logging.getLogger("some.library").warning("plain %d", 7)
for noisy in ("asyncua.server", "pymodbus", "uvicorn.error", "uvicorn.access"):
    logging.getLogger(noisy).info("chatter")
logging.getLogger("pymodbus.client").error("no answer")
log.debug("not of interest")
password = "secret of a local"
try:
    raise ValueError("a bug\\nin two lines")
except ValueError:
    log.exception("role failed", role="plant-side")
"""


def run(*arguments: str, stderr: int = subprocess.PIPE) -> str:
    root = str(Path(gateway.__file__).parents[1])
    done = subprocess.run(
        [sys.executable, "-c", PROGRAM, *arguments],
        stdout=subprocess.PIPE,
        stderr=stderr,
        text=True,
        check=True,
        timeout=30,
        env={**os.environ, "PYTHONPATH": root},
    )
    assert "" == done.stdout
    return done.stderr or ""


def check_json(text: str) -> None:
    def refuse(constant: str) -> None:
        raise AssertionError(f"{constant} is not JSON")

    lines = [json.loads(line, parse_constant=refuse) for line in text.splitlines()]
    assert ["field side connected", "plain 7", "role failed"] == [x["event"] for x in lines]
    assert ["info", "warning", "error"] == [x["level"] for x in lines]
    assert ["gateway.wall", "some.library", "gateway.wall"] == [x["logger"] for x in lines]
    assert "nan" == lines[0]["factor"]
    assert all(x["timestamp"].endswith("Z") for x in lines)
    assert "ValueError" == lines[2]["exception"][0]["exc_type"]
    assert "secret" not in text


def test_json_lines_on_stderr() -> None:
    """Not on a terminal: one JSON object a line, ours and the libraries', the noisy ones quiet."""
    check_json(run())


def test_json_lines_in_a_file(tmp_path: Path) -> None:
    """To a file: the same lines, appended, and nothing on stderr."""
    path = tmp_path / "demo.log"
    path.write_text("")
    assert "" == run(str(path))
    check_json(path.read_text())
    run(str(path))
    assert 6 == len(path.read_text().splitlines())


def test_plain_lines_on_a_terminal() -> None:
    """On a terminal: a line an event, an error as its name, text and place, without a trace."""
    ours, theirs = pty.openpty()
    try:
        run(stderr=theirs)
        text = os.read(ours, 65536).decode().replace("\r\n", "\n")
    finally:
        os.close(ours)
        os.close(theirs)
    lines = [line[9:] for line in text.splitlines()]
    assert [
        "INFO    field side connected  path=/run/wall factor=nan",
        "WARNING plain 7",
        "ERROR   role failed  role=plant-side error=ValueError: a bug in two lines (<string>:17)",
    ] == lines
