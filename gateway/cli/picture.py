"""Pictures as files: the option that names one, and how it is written."""

import io
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, TypeAlias

import click

from gateway.cli.options import fail

if TYPE_CHECKING:
    from matplotlib.figure import Figure

_Function: TypeAlias = Callable[..., None]
_FORMS: Final = (".png", ".svg")


def _drawable(context: click.Context, param: click.Parameter, value: Path | None) -> Path | None:
    if value is not None and value.suffix.lower() not in _FORMS:
        fail(f"{value}: a picture is drawn as {' or '.join(_FORMS)}; name the file so", 2)
    return value


def plot_option(of: str) -> Callable[[_Function], _Function]:
    """`--plot OUT.png`; `of` says what is drawn."""
    return click.option(
        "--plot",
        "picture_path",
        metavar="OUT.png",
        type=click.Path(path_type=Path),
        callback=_drawable,
        help=f"Draw {of}; PNG or SVG by suffix.",
    )


def write_picture(path: Path, figure: "Figure") -> None:
    """The same figure gives the same bytes. One error and exit code 1 if it cannot be written."""
    import matplotlib  # slow to load, and rarely wanted

    out, form = io.BytesIO(), path.suffix.lower()[1:]
    undated: dict[str, Any] = {"metadata": {"Date": None}} if form == "svg" else {}
    with matplotlib.rc_context({"svg.hashsalt": "rotor"}):
        figure.savefig(out, format=form, dpi=110, **undated)
    try:
        path.write_bytes(out.getvalue())
    except OSError as error:
        reason = (error.strerror or str(error)).lower()
        fail(f"{path}: the picture cannot be written: {reason}; name a place that can take it")
