"""`rotor-gateway check SITE`: all faults of a site file at once."""

from pathlib import Path

import click

from gateway.cli.options import fail, load_site, site_argument
from gateway.serve.registers import layout


@click.command()
@site_argument
def command(site_path: Path) -> None:
    """Check a site file and its device profiles; print every fault with its place.

    Exit code 0: usable (warnings may be printed). 2: not usable.
    """
    site = load_site(site_path)
    try:
        layout(site)
    except ValueError as error:
        fail(f"{site_path}: outputs.modbus: {error}", 2)
    click.echo(
        f"{site_path}: good: {len(site.file.machines)} machines, {len(site.file.devices)} devices, "
        f"{len(site.tags)} tags, {len(site.file.alarms)} alarms"
    )
