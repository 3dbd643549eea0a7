"""`rotor-gateway check SITE`: all faults of a site file at once."""

from pathlib import Path

import click

from gateway.cli.options import load_site, site_argument


@click.command()
@site_argument
def command(site_path: Path) -> None:
    """Check a site file and its device profiles; print every fault with its place.

    Exit code 0: usable (warnings may be printed). 2: not usable.
    """
    site = load_site(site_path)
    click.echo(
        f"{site_path}: good; machines: {len(site.file.machines)}, devices: "
        f"{len(site.file.devices)}, tags: {len(site.tags)}, alarms: {len(site.file.alarms)}"
    )
