"""A wrong site file, given to every command that takes one."""

from pathlib import Path

import pytest
from click.testing import CliRunner

from gateway.cli import main

CONFIG = Path(__file__).parents[2] / "config"
COMMANDS = (
    ("run",),
    ("check",),
    ("read",),
    ("registers",),
    ("history", "U1.FAULT_RESISTANCE"),
    ("trend",),
    ("dossier", "U1.EARTH_FAULT_STAGE_1"),
    ("alarms",),
    ("alarms", "show", "U1.EARTH_FAULT_STAGE_1"),
    ("alarms", "ack", "U1.EARTH_FAULT_STAGE_1"),
    ("alarms", "journal"),
    ("alarms", "statistics"),
    ("health",),
)


@pytest.mark.parametrize("command", COMMANDS, ids=" ".join)
def test_map_too_small_for_the_tags_is_refused_before_anything_begins(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, command: tuple[str, ...]
) -> None:
    """Tags that do not fit the served map are a fault of the file: one text, exit code 2."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "profiles").symlink_to(CONFIG / "profiles")
    text = (CONFIG / "demo.yaml").read_text(encoding="utf-8")
    assert "unit_id: 1}" in text
    path = tmp_path / "site.yaml"
    path.write_text(text.replace("unit_id: 1}", "unit_id: 1, registers_per_machine: 40}"))
    name, *rest = command
    result = CliRunner().invoke(main, [name, "site.yaml", *rest])
    assert (
        "site.yaml: outputs.modbus.registers_per_machine: machine U1 needs 112 registers for 17 "
        "tags and 4 alarms, but has 40; write at least 112\n"
    ) == result.output
    assert 2 == result.exit_code
    assert not (tmp_path / "state").exists()
