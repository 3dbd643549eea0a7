"""`rotor-gateway alarms SITE ack|reset|...`: what is ordered, and what is refused."""

import getpass
from pathlib import Path

import pytest
from click.testing import CliRunner

from gateway.cli import main
from gateway.tags import Command, Order
from tests.cli.shown_frames import SITE, told

ALARM = "U1.EARTH_FAULT_STAGE_1"


@pytest.mark.parametrize(
    ("words", "order", "why", "duration_s", "done"),
    [
        (["ack", ALARM], Order.ACKNOWLEDGE, "", 0.0, "acknowledged"),
        (["ack", ALARM, "--why", "seen"], Order.ACKNOWLEDGE, "seen", 0.0, "acknowledged"),
        (["reset", ALARM, "--why", "mended"], Order.RESET, "mended", 0.0, "reset"),
        (
            ["shelve", ALARM, "--for", "1.5 h", "--why", "test"],
            Order.SHELVE,
            "test",
            5400.0,
            "shelved for 1.5 h",
        ),
        (["unshelve", ALARM], Order.UNSHELVE, "", 0.0, "not shelved any more"),
        (
            ["remove", ALARM, "--why", "sensor out"],
            Order.REMOVE,
            "sensor out",
            0.0,
            "out of service",
        ),
        (["return", ALARM], Order.RETURN, "", 0.0, "back in service"),
    ],
    ids=lambda value: value[0] if isinstance(value, list) else "",
)
async def test_each_action_gives_its_order(
    tmp_path: Path, words: list[str], order: Order, why: str, duration_s: float, done: str
) -> None:
    """One order arrives, with login name, reason and duration; what was done is said."""
    taken: list[Command] = []

    async def take(command: Command) -> str:
        taken.append(command)
        return ""

    result = await told(tmp_path, (), "alarms", *words, on_command=take)
    assert [Command(order, ALARM, getpass.getuser(), why, duration_s)] == taken
    assert (f"{ALARM}: {done}\n", 0) == (result.output, result.exit_code)


async def test_refusal_is_told_with_its_reason(tmp_path: Path) -> None:
    """What the gateway refuses is on stderr, with exit code 1."""

    async def refuse(_: Command) -> str:
        return "shelve it for at most 8 h"

    words = ("shelve", ALARM, "--for", "20 h", "--why", "x")
    result = await told(tmp_path, (), "alarms", *words, on_command=refuse)
    assert (f"{ALARM}: refused: shelve it for at most 8 h\n", "") == (result.stderr, result.stdout)
    assert 1 == result.exit_code


def test_order_to_nobody_is_refused(tmp_path: Path) -> None:
    """Without a running gateway nothing is ordered, and the text says how to name one that runs."""
    words = ["alarms", str(SITE), "ack", ALARM, "--state", str(tmp_path)]
    result = CliRunner().invoke(main, words)
    assert result.output.startswith(f"no gateway runs with the state directory {tmp_path};")
    assert 1 == result.exit_code
