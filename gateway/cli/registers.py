"""`rotor-gateway registers SITE`: the served Modbus map, for the engineer of the control system."""

import csv
import io
import json
from dataclasses import asdict, fields
from pathlib import Path

import click

from gateway.cli.columns import print_columns
from gateway.cli.options import fail, json_option, load_site, site_argument
from gateway.serve.registers import MapRow, served_map


@click.command()
@site_argument
@json_option
@click.option("--csv", "as_csv", is_flag=True, help="Print CSV.")
def command(site_path: Path, as_json: bool, as_csv: bool) -> None:
    """Print the map that the gateway serves over Modbus TCP.

    Addresses are PDU addresses, counted from zero; the reference beside each counts from one.
    """
    site = load_site(site_path)
    if site.file.outputs.modbus is None:
        fail(f"{site_path}: outputs.modbus is not configured, so there is no map", 2)
    rows = [{**asdict(row), "reference": row.reference} for row in served_map(site)]
    columns = [f.name for f in fields(MapRow)]
    columns.insert(1, "reference")
    if as_json:
        click.echo(json.dumps([{c: row[c] for c in columns} for row in rows], indent=1))
        return
    if as_csv:
        out = io.StringIO()
        writer = csv.DictWriter(out, columns, lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows)
        click.echo(out.getvalue(), nl=False)
        return
    print_columns([columns, *([str(row[c]) for c in columns] for row in rows)])
