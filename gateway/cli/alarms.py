"""`rotor-gateway alarms SITE [ACTION]`: the operator's door on the command line.

The actions themselves are in the files beside this one.
"""

from pathlib import Path

import click

from gateway.cli import alarm_journal, alarm_list, alarm_orders, alarm_show, alarm_statistics
from gateway.cli.options import fail, site_argument
from gateway.site.explain import did_you_mean

_HELP = ("-h", "--help")


class _Actions(click.Group):
    """The alarms are listed where no action is named."""

    def parse_args(self, context: click.Context, arguments: list[str]) -> list[str]:
        site, *rest = arguments or [""]
        if rest and rest[0] in _HELP:
            arguments = rest
        elif site and not site.startswith("-") and (not rest or rest[0].startswith("-")):
            arguments = [site, "list", *rest]
        return super().parse_args(context, arguments)

    def resolve_command(
        self, context: click.Context, arguments: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        if arguments[0] not in self.commands:
            known = did_you_mean(arguments[0], self.commands)
            fail(f"there is no action {arguments[0]!r}{known}", 2)
        return super().resolve_command(context, arguments)

    def list_commands(self, context: click.Context) -> list[str]:
        return list(self.commands)  # not by the alphabet


@click.group(cls=_Actions, subcommand_metavar="[ACTION] [ALARM] [OPTIONS]")
@site_argument
@click.pass_context
def command(context: click.Context, site_path: Path) -> None:
    """List the alarms of a running gateway, tell why to believe one, act on one, read the journal.

    Orders are journaled with the login name of who gives them.
    """
    context.obj = site_path


command.add_command(alarm_list.command, "list")
command.add_command(alarm_show.command, "show")
for _name, _order in alarm_orders.COMMANDS.items():
    command.add_command(_order, _name)
command.add_command(alarm_journal.command, "journal")
command.add_command(alarm_statistics.command, "statistics")
