"""`rotor-gateway run SITE`: the daemon."""

import os
from functools import partial
from pathlib import Path

import click

from gateway.cli.options import fail, load_site, site_argument, state_of, state_option
from gateway.service.logs import set_up_logs
from gateway.service.supervise import Lifeline, Role, StateBusy, run_async, state_lock, supervise
from gateway.service.wall import WALL, WallError, check_length
from gateway.site.installed import Site


def gateway_roles(site: Site, state_dir: Path) -> list[Role]:
    """The two processes of the gateway. Each loads its own half of the code after its fork."""

    def field(lifeline: Lifeline) -> int | None:
        from gateway.service.field_side import field_side

        return run_async(partial(field_side, site, state_dir), lifeline)

    def plant(lifeline: Lifeline) -> int | None:
        from gateway.service.plant_side import plant_side

        return run_async(partial(plant_side, site, state_dir), lifeline)

    return [Role("field-side", field, restart=True), Role("plant-side", plant, restart=True)]


def enter(state_dir: Path) -> None:
    """Make the state directory, and work in it: a relative serial line is taken from there."""
    try:
        check_length(state_dir / WALL)
        state_dir.mkdir(parents=True, exist_ok=True, mode=0o750)
        os.chdir(state_dir)
    except WallError as error:
        fail(str(error))
    except OSError as error:
        why = (error.strerror or str(error)).lower()
        fail(f"{state_dir}: cannot be the state directory: {why}; name another with --state")


@click.command()
@site_argument
@state_option
def command(site_path: Path, state_dir: Path | None) -> None:
    """Run the gateway until it is told to stop (Ctrl-C or SIGTERM)."""
    site = load_site(site_path)
    directory = state_of(site_path, state_dir)
    enter(directory)
    set_up_logs()
    try:
        with state_lock(directory):
            raise SystemExit(supervise(gateway_roles(site, directory)))
    except StateBusy as error:
        fail(str(error))
