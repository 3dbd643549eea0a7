"""`rotor-gateway simulate SCENARIO`: the plant simulator on its own."""

import asyncio
import signal
from pathlib import Path

import click

from gateway.cli.options import fail

DEFAULT_PORT_BASE = 15020


@click.command()
@click.argument("scenario_path", metavar="SCENARIO", type=click.Path(path_type=Path))
@click.option(
    "--port-base",
    type=click.IntRange(1, 65000),
    default=DEFAULT_PORT_BASE,
    show_default=True,
    help="First TCP port; the plant file has the offsets of the devices.",
)
@click.option(
    "--lines",
    "line_dir",
    type=click.Path(file_okay=False, path_type=Path),
    default=Path("lines"),
    show_default=True,
    help="Directory in which the serial lines appear.",
)
@click.option(
    "--speed",
    type=click.FloatRange(0.0, 500.0, min_open=True),
    default=1.0,
    show_default=True,
    help="Scenario seconds a second.",
)
def command(scenario_path: Path, port_base: int, line_dir: Path, speed: float) -> None:
    """Serve the devices of a simulated plant as its scenario tells, until told to stop."""
    from simulator.run import ScenarioError, SimulatorError, load, run

    async def serve() -> None:
        stop = asyncio.Event()
        for number in (signal.SIGINT, signal.SIGTERM):
            asyncio.get_running_loop().add_signal_handler(number, stop.set)
        click.echo(f"{scenario.name}: Modbus TCP from port {port_base}, lines in {line_dir}/")
        for machine in scenario.plant.machines.values():
            click.echo(f"  {machine.name}: {machine.what}")
        await run(scenario, port_base=port_base, line_dir=line_dir, speed=speed, stop=stop)

    try:
        scenario = load(scenario_path)
    except ScenarioError as error:
        fail(str(error), 2)
    try:
        line_dir.mkdir(parents=True, exist_ok=True)
        asyncio.run(serve())
    except SimulatorError as error:
        fail(str(error))
