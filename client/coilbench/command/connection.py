"""The service that a command talks to."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any, TypeVar

import click

from coilbench.client import Client
from coilbench.errors import BadAddress

Command = TypeVar("Command", bound=Callable[..., Any])


@dataclass(frozen=True)
class Connection:
    """Address and key as given on the command line, None where the environment decides."""

    url: str | None = None
    key: str | None = None

    def client(self) -> Client:
        """A client for it.

        Raises
        ------
        click.UsageError : the address is not one
        """
        try:
            return Client(self.url, self.key)
        except BadAddress as error:
            raise click.UsageError(str(error)) from error


def connection_options(command: Command) -> Command:
    """`--url` and `--key`, before or after the name of the command.

    Parameters
    ----------
    command : gets them
    """
    command = click.option(
        "--key",
        expose_value=False,
        callback=_remember,
        metavar="KEY",
        help="Access key; better in COILBENCH_KEY, where other users can't see it.",
    )(command)
    return click.option(
        "--url",
        expose_value=False,
        callback=_remember,
        metavar="URL",
        help="Address of the service. [COILBENCH_URL, else http://127.0.0.1:8080]",
    )(command)


def _remember(context: click.Context, option: click.Parameter, value: str | None) -> None:
    known = context.obj or Connection()
    context.obj = replace(known, **{str(option.name): value}) if value else known
