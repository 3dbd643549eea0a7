"""A command run in this process, which may end early but never breaks."""

from click.testing import CliRunner, Result

from gateway.cli import main


def run(*arguments: object) -> Result:
    result = CliRunner().invoke(main, [str(a) for a in arguments])
    assert result.exception is None or isinstance(result.exception, SystemExit)
    return result
