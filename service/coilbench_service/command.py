"""`coilbench-server`: starts and looks after the service. Answers go to standard output, the log to standard error."""

from __future__ import annotations

import sys
from collections.abc import Callable
from functools import wraps
from pathlib import Path

import click
from sqlalchemy.exc import SQLAlchemyError

from coilbench_service import doctor as doctor_report
from coilbench_service import running
from coilbench_service.hosts import NoAddress
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


@main.command()
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


@main.command()
@configured
def doctor(configuration: Configuration) -> int:
    """Show every setting with its source and try every connection; exit 1 when something is broken."""
    lines, well = doctor_report.report(configuration)
    click.echo("\n".join(lines))
    return 0 if well else BROKEN


@main.command()
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
