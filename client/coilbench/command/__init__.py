"""The command `coilbench`: measuring recordings from a shell.

Results go to standard output, notices and progress to standard error (progress only when that is a terminal). Exit
status: 0 all is measured, 1 something was rejected, failed or refused, 2 bad usage, 130 stopped with Ctrl-C.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Sequence

import click

from coilbench.command.callback import callback
from coilbench.command.chain import chain
from coilbench.command.chart import chart
from coilbench.command.choose import choose, words
from coilbench.command.coil import coil
from coilbench.command.compare import compare
from coilbench.command.connection import connection_options
from coilbench.command.exits import BAD_USAGE, FAILED, INTERRUPTED, Interrupted
from coilbench.command.findings import said
from coilbench.command.group import fit, group
from coilbench.command.listen import listen
from coilbench.command.report import report
from coilbench.command.send import send
from coilbench.command.sheet import pickup, session
from coilbench.command.status import status
from coilbench.command.study import study
from coilbench.command.table import table
from coilbench.errors import CoilbenchError, Refused
from coilbench.version import VERSION


@click.group(context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@connection_options
@click.version_option(VERSION, prog_name="coilbench", message="%(prog)s %(version)s")
def commands() -> None:
    """Measure recordings of electric-guitar strums, put the figures into tables, and compare pickups.

    The usual job in two lines: coilbench send FOLDER --wait -o table.xlsx, then coilbench compare PICKUP

    Exit status: 0 all is measured, 1 something was rejected, failed or refused, 2 bad usage.
    """


commands.add_command(send)
commands.add_command(status)
commands.add_command(table)
commands.add_command(chain)
commands.add_command(compare)
commands.add_command(study)
commands.add_command(group)
commands.add_command(fit)
commands.add_command(choose)
commands.add_command(words)
commands.add_command(coil)
commands.add_command(chart)
commands.add_command(listen)
commands.add_command(report)
commands.add_command(pickup)
commands.add_command(session)
commands.add_command(callback)


def main() -> None:
    """Entry point of the command."""
    sys.exit(run(sys.argv[1:]))


def run(arguments: Sequence[str]) -> int:
    """Run a command line.

    Parameters
    ----------
    arguments : without the program's name

    Returns
    -------
    The exit status
    """
    try:
        result = commands.main(args=list(arguments), prog_name="coilbench", standalone_mode=False)
    except click.ClickException as error:
        error.show()
        return error.exit_code
    except Interrupted as stop:
        click.echo(str(stop), err=True)
        return INTERRUPTED
    except (click.Abort, KeyboardInterrupt):
        click.echo("Stopped. Nothing was changed or lost; give the command again to have the answer.", err=True)
        return INTERRUPTED
    except Refused as error:
        lines = said(error)
        click.echo("\n".join(["coilbench: " + lines[0], *lines[1:]]), err=True)
        return BAD_USAGE if error.problem.slug == "invalid-request" else FAILED
    except CoilbenchError as error:
        click.echo(f"coilbench: {error}", err=True)
        return FAILED
    except UnicodeEncodeError as error:  # the shell hands over bytes that are no text as halves of surrogate pairs
        click.echo(f"coilbench: {error.object!a:.200} holds what is not Unicode text", err=True)
        return BAD_USAGE
    except BrokenPipeError:  # the reader of our output has gone: `coilbench table | head`
        _give_up_output()
        return FAILED
    except OSError as error:
        about = "the output" if error.filename is None else str(error.filename)
        click.echo(f"coilbench: {about}: {error.strerror or error}", err=True)
        _give_up_output()
        return FAILED
    return result if isinstance(result, int) else 0


def _give_up_output() -> None:
    """Let what is still to be printed go nowhere, so that the end of Python does not fail on it once more."""
    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
