"""`rotor-gateway schema`: JSON Schema, so that an editor completes and checks while typing."""

import json

import click

from gateway.site.model import SiteFile
from gateway.site.profile import DeviceProfile


@click.command()
@click.argument("what", type=click.Choice(["site", "profile"]), default="site")
def command(what: str) -> None:
    """Print the JSON Schema of site files, or of device profiles."""
    model = SiteFile if what == "site" else DeviceProfile
    schema = {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        **model.model_json_schema(),
    }
    click.echo(json.dumps(schema, indent=2, ensure_ascii=False))
