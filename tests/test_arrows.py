"""Which room may import which, what the pure rooms never touch, and how a file must look."""

import ast
from functools import cache
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
RANKS = (
    ("tags",),
    ("signals", "rotor"),
    ("diagnosis",),
    ("alarms",),
    ("chain",),
    ("field", "archive", "serve", "replay", "report"),
    ("service",),
    ("cli",),
)
RANK = {room: rank for rank, rooms in enumerate(RANKS) for room in rooms}
PURE_ROOMS = ("tags", "signals", "rotor", "diagnosis", "alarms", "chain")
IMPURE = {
    "asyncio",
    "datetime",
    "logging",
    "os",
    "random",
    "secrets",
    "socket",
    "sqlite3",
    "threading",
    "time",
}
MOST_LINES = 420


def allowed(room, other):
    """Whether a file of one room may import from another."""
    if room == other or other == "":  # the package itself holds nothing but its version
        return True
    if room == "site":
        return other == "tags"
    if other == "site":
        return True
    return RANK[other] < RANK[room]


def room_of(module):
    """The room of a gateway module, '' for the package itself."""
    return (*module.split("."), "")[1]


@cache
def tree_of(path):
    return ast.parse(path.read_text(encoding="utf-8"))


def files(*folders):
    return [p for folder in folders for p in sorted((ROOT / folder).rglob("*.py"))]


def name_of(path):
    parts = path.relative_to(ROOT).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


def imports(path):
    """Every module that a file imports, anywhere in it; `from a import b` counts as a and a.b."""
    found = set()
    for node in ast.walk(tree_of(path)):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module:
            found.add(node.module)
            if node.module == "gateway":
                found |= {f"gateway.{a.name}" for a in node.names if not a.name.startswith("__")}
    return found


def tops(path):
    return {module.split(".")[0] for module in imports(path)}


GATEWAY, SIMULATOR, TESTS = files("gateway"), files("simulator"), files("tests")
each_gateway_file = pytest.mark.parametrize("path", GATEWAY, ids=name_of)
each_source_file = pytest.mark.parametrize("path", [*GATEWAY, *SIMULATOR], ids=name_of)
each_file = pytest.mark.parametrize("path", [*GATEWAY, *SIMULATOR, *TESTS], ids=name_of)


def is_pure(path):
    # A file that declares itself pure outside the pure rooms begins its docstring so.
    docstring = ast.get_docstring(tree_of(path)) or ""
    return room_of(name_of(path)) in PURE_ROOMS or docstring.startswith("PURE")


def test_rooms_are_the_known_ones():
    """A new room is given its place in this order before it imports anything."""
    there = {room_of(name_of(path)) for path in GATEWAY} - {"", "site"}
    assert there <= set(RANK)
    assert {"tags", "signals", "rotor", "alarms", "chain", "field", "serve", "cli"} <= there


@each_gateway_file
def test_imports_go_downwards(path):
    """No room imports a neighbour or one above it; the site imports tags only."""
    room = room_of(name_of(path))
    taken = {m for m in imports(path) if m.split(".")[0] == "gateway"}
    upwards = {m for m in taken if room and not allowed(room, room_of(m))}
    assert set() == upwards


@pytest.mark.parametrize("path", SIMULATOR, ids=name_of)
def test_simulator_shares_nothing_with_the_gateway(path):
    """The simulator is a plant of its own, so that agreement with it proves something."""
    assert "gateway" not in tops(path)


@each_gateway_file
def test_only_two_commands_know_the_simulator(path):
    """What runs in a plant never imports the simulator."""
    if name_of(path) not in ("gateway.cli.demo", "gateway.cli.simulate"):
        assert "simulator" not in tops(path)


@pytest.mark.parametrize("path", [p for p in GATEWAY if is_pure(p)], ids=name_of)
def test_pure_rooms_touch_no_world(path):
    """The core reads no clock, draws no random number and does no I/O."""
    assert set() == tops(path) & IMPURE


def test_protocol_libraries_stay_in_their_files():
    """Each protocol library is behind one door, where it can be guarded and replaced."""
    modbus = {name_of(p) for p in GATEWAY if "pymodbus" in tops(p)}
    assert modbus <= {"gateway.field.modbus", "gateway.field.reply", "gateway.field.pdu"}
    assert "gateway.field.modbus" in modbus
    opcua = {name_of(p) for p in GATEWAY if "asyncua" in tops(p)}
    assert opcua
    assert all(name.startswith("gateway.serve.opcua") for name in opcua)


@each_file
def test_imports_are_absolute(path):
    """A file says in full what it imports."""
    relative = [
        node.lineno
        for node in ast.walk(tree_of(path))
        if isinstance(node, ast.ImportFrom) and node.level
    ]
    assert [] == relative


@each_source_file
def test_files_are_short(path):
    """A file can be read in one sitting."""
    assert len(path.read_text(encoding="utf-8").splitlines()) <= MOST_LINES


@each_source_file
def test_files_say_what_they_are(path):
    """A file begins with what it does and what it refuses."""
    assert ast.get_docstring(tree_of(path))


def test_packages_are_packages():
    """Every folder with code has an `__init__.py`, which says what the room is."""
    folders = {path.parent for path in (*GATEWAY, *SIMULATOR)}
    assert [] == sorted(str(f) for f in folders if not (f / "__init__.py").is_file())
