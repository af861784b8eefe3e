"""`coilbench-server`: starts and looks after the service. Answers go to standard output, the log to standard error."""

from __future__ import annotations

import re
import sys
from collections.abc import Callable
from functools import wraps
from pathlib import Path

import click
from sqlalchemy.exc import SQLAlchemyError

from coilbench_service import backup_command, key_command, running
from coilbench_service import doctor as doctor_report
from coilbench_service.access_key import ID_PATTERN
from coilbench_service.asker import SCOPES
from coilbench_service.hosts import NoAddress
from coilbench_service.key_changes import LEAST_BYTES, MOST_BYTES, MOST_CHARACTERS, MOST_DAYS, MOST_REQUESTS
from coilbench_service.readiness import NotMigrated
from coilbench_service.running import WrongBroker
from coilbench_service.serving import PortTaken
from coilbench_worker.configuration import Configuration, ConfigurationError, load
from coilbench_worker.node import WorkerNotStarted
from coilbench_worker.passwords import masked
from coilbench_worker.store.database import DatabaseUnreachable
from coilbench_worker.store.standing import TablesUnfit

BROKEN, BAD_USAGE = 1, 2


@click.group(context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(package_name="coilbench", prog_name="coilbench-server")
def main() -> None:
    """Measure recordings of electric-guitar strums: the server.

    Settings come from the environment (COILBENCH_...) or the TOML file that COILBENCH_CONFIG names; doctor shows them.
    """


def configured(act: Callable[[Configuration], int | None]) -> Callable[[], None]:
    """Run an act with the settings; what goes wrong with a reason is said in one line, without a stack trace."""

    @wraps(act)
    def run() -> None:
        try:
            status = act(load())
        except (ConfigurationError, NoAddress, WrongBroker) as error:
            _end(str(error), BAD_USAGE)
        except (PortTaken, WorkerNotStarted, DatabaseUnreachable) as error:
            _end(masked(str(error)), BROKEN)
        except (NotMigrated, TablesUnfit) as error:
            _end(f"{str(error)[:1].upper()}{str(error)[1:]}.", BROKEN)
        except SQLAlchemyError as error:
            cause = str(getattr(error, "orig", None) or error).strip().splitlines()[0]
            _end(masked(f"The database can't be used ({cause}); coilbench-server doctor says more."), BROKEN)
        except OSError as error:
            _end(f"{error}. See that the folder or host is there and may be used.", BROKEN)
        else:
            sys.exit(status or 0)

    return run


def _end(message: str, status: int) -> None:
    click.echo(message, err=True)
    sys.exit(status)


@main.command(short_help="Everything on one machine, in one process.")
@configured
def up(configuration: Configuration) -> None:
    """Everything on one machine: database, worker and HTTP in one process."""
    running.up(configuration)


@main.command()
@configured
def api(configuration: Configuration) -> None:
    """Only the HTTP service; workers run beside it."""
    running.api(configuration)


@main.command()
@configured
def worker(configuration: Configuration) -> int:
    """Only a worker, for a broker such as Redis."""
    return running.worker(configuration)


@main.command()
@configured
def migrate(configuration: Configuration) -> None:
    """Bring the database's tables to this version."""
    click.echo(f"The tables are at revision {running.migrate(configuration)}.")


@main.command(short_help="Show all settings, try every connection, say what is wrong.")
@configured
def doctor(configuration: Configuration) -> int:
    """Show every setting with its source and try every connection; exit 1 when something is broken."""
    lines, well = doctor_report.report(configuration)
    click.echo("\n".join(lines))
    return 0 if well else BROKEN


@main.command(short_help="Copy database and recordings, while the service runs.")
@click.argument("folder", type=click.Path(path_type=Path, file_okay=False))
@click.option("--verify", is_flag=True, help="Read the copied recordings through and compare their SHA-256.")
def backup(folder: Path, verify: bool) -> None:
    """Copy database and recordings into FOLDER, while the service runs; it must be empty or not there yet."""
    configured(lambda configuration: backup_command.make(configuration, folder, whole=verify))()


@main.command(short_help="Put a copy back into an empty place.")
@click.argument("folder", type=click.Path(path_type=Path, file_okay=False, exists=True))
@click.option("--verify", is_flag=True, help="Read the recordings through afterwards and compare their SHA-256.")
def restore(folder: Path, verify: bool) -> None:
    """Put the copy in FOLDER into an empty database, and its recordings into their store."""
    configured(lambda configuration: backup_command.put_back(configuration, folder, whole=verify))()


@main.group()
def key() -> None:
    """Access keys: who may ask for what. Works on the database itself."""


@key.command("make")
@click.argument("name")
@click.option(
    "--scope",
    "scopes",
    type=click.Choice(SCOPES),
    multiple=True,
    default=("read",),
    show_default=True,
    help="write reads too, admin writes too and looks after keys and call-backs.",
)
@click.option("--days", type=click.IntRange(1, MOST_DAYS), help="Days until it ends.  [default: it does not]")
@click.option(
    "--requests-per-minute",
    type=click.IntRange(1, MOST_REQUESTS),
    help="Limit of its own.",
)
@click.option(
    "--upload-bytes-per-day",
    type=click.IntRange(LEAST_BYTES, MOST_BYTES),
    help="Limit of its own.",
)
@click.option("--json", "as_json", is_flag=True, help="The key and all about it as JSON.")
def make_key(name: str, scopes: tuple[str, ...], as_json: bool, **limits: int | None) -> None:
    """Make a key for NAME and print it, this once."""
    name = name.strip()
    if not 1 <= len(name) <= MOST_CHARACTERS or not name.isprintable():
        raise click.UsageError(f"NAME must be 1 to {MOST_CHARACTERS} printable characters.")
    configured(lambda configuration: key_command.make(configuration, name, scopes, as_json=as_json, **limits))()


@key.command("list")
@click.option("--json", "as_json", is_flag=True, help="As JSON.")
def list_keys(as_json: bool) -> None:
    """List all keys with their last use, also those that ended."""
    configured(lambda configuration: key_command.show(configuration, as_json=as_json))()


@key.command("revoke")
@click.argument("id")
def revoke_key(id: str) -> None:
    """Make the key ID good for nothing, from now on."""
    if not re.fullmatch(ID_PATTERN, id):
        raise click.UsageError("ID is the middle part of a key: 16 hexadecimal digits; `coilbench-server key list`.")
    configured(lambda configuration: key_command.revoke(configuration, id))()


@key.command("forget")
@click.option("--days", type=click.IntRange(0, MOST_DAYS), default=90, show_default=True, help="Since they ended.")
def forget_keys(days: int) -> None:
    """Delete the rows of keys that ended some time ago."""
    configured(lambda configuration: key_command.forget(configuration, days))()


@main.command(short_help="Measure an invented shop's recordings, against the truth.")
@click.option(
    "--folder",
    type=click.Path(path_type=Path, file_okay=False),
    default=Path("demo"),
    show_default=True,
    help="Gets the recordings, the table and the data; made when it is not there.",
)
def demo(folder: Path) -> None:
    """Measure an invented shop's recordings and hold the figures against the truth."""
    from coilbench_service.demo import run

    sys.exit(run(folder))


if __name__ == "__main__":
    main()
