"""The command line, one thin file a command. Exit codes: 0 good, 1 trouble, 2 wrong input."""

import errno
import importlib
import logging
from typing import Final

import click
import structlog

import gateway

COMMANDS: Final = {
    "demo": "start a simulated plant and the gateway on it",
    "run": "run the gateway",
    "check": "check a site file",
    "schema": "print the JSON Schema of site files or device profiles",
    "read": "read the devices once and show every step of every value",
    "registers": "print the served Modbus map",
    "history": "print the archived values of a tag",
    "trend": "print trend, forecasts and patterns of the resistance",
    "alarms": "list alarms, tell why to believe them, act on them, read their journal",
    "health": "tell how the monitoring itself is, and what to do",
    "dossier": "write everything about one alarm into one page, or a PDF",
    "record": "write readings and journal of a time into one file",
    "replay": "take a recorded file through the chains of a site again",
    "solve": "tell fault resistance and location from a recorded pulse current",
    "sensitivity": "show which earth faults the installed detector can see",
    "simulate": "run a scenario of the plant simulator",
}


class _Commands(click.Group):
    """Loads a command's file when it is used, so that help and errors come at once."""

    def invoke(self, context: click.Context) -> object:
        try:
            return super().invoke(context)
        except OSError as error:
            if error.errno == errno.EPIPE:  # the reader of a pipe has seen enough
                raise
            where = error.filename or "the output"
            why = (error.strerror or str(error)).lower()
            remedy = "check that it is there, has room, and that this user may use it"
            click.echo(f"{where}: {why}; {remedy}", err=True)
            raise SystemExit(1) from error

    def list_commands(self, context: click.Context) -> list[str]:
        return list(COMMANDS)

    def get_command(self, context: click.Context, name: str) -> click.Command | None:
        if name not in COMMANDS:
            return None
        command: click.Command = importlib.import_module(f"gateway.cli.{name}").command
        return command

    def format_commands(self, context: click.Context, formatter: click.HelpFormatter) -> None:
        with formatter.section("Commands"):
            formatter.write_dl(list(COMMANDS.items()))


@click.group(cls=_Commands, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(gateway.__version__, prog_name="rotor-gateway")
def main() -> None:
    """Read rotor earth-fault monitors and hand the plant tags that it can trust.

    Rotor circuits are hazardous. The gateway informs; it never trips a machine and replaces no
    protection. Local codes, plant procedures and licensed engineers decide.
    """
    # The answer of a command is its output and its error text; only what serves keeps a log.
    structlog.configure(wrapper_class=structlog.make_filtering_bound_logger(logging.CRITICAL))
