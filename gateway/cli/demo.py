"""`rotor-gateway demo`: the simulated plant, the gateway on it, and a live table."""

import socket
import sys
from functools import partial
from pathlib import Path

import click

import gateway
from gateway.cli.options import fail, load_site
from gateway.cli.run import enter, gateway_roles
from gateway.cli.simulate import DEFAULT_PORT_BASE
from gateway.service.logs import set_up_logs
from gateway.service.supervise import Lifeline, Role, StateBusy, run_async, state_lock, supervise
from gateway.service.wall import WALL
from gateway.site.installed import Site


def _config_dir() -> Path:
    """The examples: inside an installed package, or beside it in a source tree."""
    package = Path(gateway.__file__).parent
    installed = package / "config"
    return installed if installed.is_dir() else package.parent / "config"


@click.command()
@click.option(
    "--state",
    "state_dir",
    type=click.Path(file_okay=False, path_type=Path),
    default=Path("state/demo"),
    show_default=True,
    help="Directory of the archive and the serial line.",
)
@click.option(
    "--duration", "duration_s", type=click.FloatRange(min=0.1), help="Stop after this many seconds."
)
@click.option("--no-table", is_flag=True, help="Print no live table.")
@click.option(
    "--scenario",
    "scenario_path",
    type=click.Path(path_type=Path),
    help="Another scenario of the same plant, see config/scenarios.",
)
@click.option(
    "--site",
    "site_path",
    type=click.Path(path_type=Path),
    help="Another site file for the same plant.",
)
@click.option(
    "--port-base",
    type=click.IntRange(1, 65000),
    default=DEFAULT_PORT_BASE,
    show_default=True,
    help="First TCP port of the simulated devices; the links of --site must say the same.",
)
def command(
    state_dir: Path,
    duration_s: float | None,
    no_table: bool,
    scenario_path: Path | None,
    site_path: Path | None,
    port_base: int,
) -> None:
    """Run the gateway on a simulated plant of three machines. Stop with Ctrl-C.

    Nothing is connected to a machine. The gateway informs; it trips nothing and replaces no
    protection.
    """
    from simulator.run import Scenario, ScenarioError, load, run

    config = _config_dir()
    site = load_site(site_path or config / "demo.yaml")
    try:
        scenario: Scenario = load(scenario_path or config / "scenarios" / "demo.yaml")
    except ScenarioError as error:
        fail(str(error), 2)
    directory = state_dir.absolute()
    enter(directory)

    def simulate(lifeline: Lifeline) -> int | None:
        lines = directory / "lines"
        lines.mkdir(exist_ok=True)
        serve = partial(run, scenario, port_base=port_base, line_dir=lines, speed=1.0)
        return run_async(lambda stop: serve(stop=stop), lifeline)

    def show(lifeline: Lifeline) -> int | None:
        from gateway.cli.table import live_table

        return run_async(
            partial(live_table, site, directory / WALL, duration_s, not no_table), lifeline
        )

    offsets = [device.tcp_offset for device in scenario.plant.devices.values()]
    device_ports = {port_base + offset for offset in offsets if offset is not None}
    roles = [
        Role("simulator", simulate, restart=True),
        *gateway_roles(site, directory),
        Role("table", show, restart=False),
    ]
    try:
        with state_lock(directory):
            _refuse_taken_ports(site, device_ports)
            set_up_logs(directory / "demo.log")
            _greet(site, directory)
            raise SystemExit(supervise(roles))
    except StateBusy as error:
        fail(str(error))


def _refuse_taken_ports(site: Site, device_ports: set[int]) -> None:
    """Else another program's plant would be read, and another one's servers looked at."""
    wanted = [
        ("127.0.0.1", port, "the simulated devices", "--port-base and --site")
        for port in sorted(device_ports)
    ]
    wanted += [
        (output.host, output.port, f"outputs.{name}", "a --site")
        for name, output in site.file.outputs.served.items()
    ]
    taken = [
        f"port {port} of {host}, for {what}, cannot be had: {why}; end what uses it (another "
        f"demo?), or give {remedy} with other ports"
        for host, port, what, remedy in wanted
        if (why := _why_taken(host, port))
    ]
    if taken:
        fail("\n".join(taken))


def _why_taken(host: str, port: int) -> str:
    """Why nobody could listen there now; "" if one could."""
    try:
        family = socket.AF_INET6 if ":" in host else socket.AF_INET
        socket.create_server((host, port), family=family).close()
    except OSError as error:
        return (error.strerror or str(error)).partition(" (")[0].lower()
    return ""


def _greet(site: Site, directory: Path) -> None:
    outputs = site.file.outputs
    click.echo(f"{site.name}: a simulated plant; the gateway informs, it never trips a machine")
    if outputs.opcua:
        click.echo(f"  OPC UA  opc.tcp://{outputs.opcua.host}:{outputs.opcua.port}")
    if outputs.modbus:
        unit = outputs.modbus.unit_id
        click.echo(f"  Modbus  {outputs.modbus.host}:{outputs.modbus.port} unit {unit}")
    if outputs.http:
        where = f"http://{outputs.http.host}:{outputs.http.port}"
        click.echo(f"  HTTP    {where}/metrics {where}/healthz")
    click.echo(f"  state   {directory} (archive, log)")
    click.echo("  stop    Ctrl-C")
    sys.stdout.flush()
