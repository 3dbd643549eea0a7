"""Arguments that several commands share, and how a wrong site file is reported."""

from pathlib import Path
from typing import NoReturn

import click

from gateway.serve.registers import layout
from gateway.site.installed import Site
from gateway.site.read import SiteError, read

site_argument = click.argument("site_path", metavar="SITE", type=click.Path(path_type=Path))
state_option = click.option(
    "--state",
    "state_dir",
    type=click.Path(file_okay=False, path_type=Path),
    envvar="ROTOR_GATEWAY_STATE",
    help="Directory of the archive and the running gateway.  [default: state/NAME-OF-SITE-FILE]",
)
json_option = click.option("--json", "as_json", is_flag=True, help="Print JSON.")


def state_of(site_path: Path, state_dir: Path | None) -> Path:
    """The state directory, absolute."""
    return (state_dir or Path("state") / site_path.stem).absolute()


def fail(text: str, code: int = 1) -> NoReturn:
    """One error text on stderr, and out."""
    click.echo(text, err=True)
    raise SystemExit(code)


def load_site(site_path: Path) -> Site:
    """The site; its warnings on stderr; all its faults and exit code 2 if it has any."""
    try:
        site, warnings = read(site_path)
    except SiteError as error:
        fail(str(error), 2)
    for warning in warnings:
        click.echo(str(warning), err=True)
    try:
        layout(site)
    except ValueError as error:
        fail(f"{site_path}: {error}", 2)
    return site
