"""Rows of text in columns as wide as what is in them."""

from collections.abc import Sequence

import click


def print_columns(rows: Sequence[Sequence[str]]) -> None:
    """All rows with the same number of cells; the first may be the head."""
    widths = [max(map(len, column)) for column in zip(*rows, strict=True)]
    for row in rows:
        click.echo("  ".join(c.ljust(w) for c, w in zip(row, widths, strict=True)).rstrip())
