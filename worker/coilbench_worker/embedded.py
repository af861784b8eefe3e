"""Measuring inside the process of the service: for one machine, with nothing else to install."""

from __future__ import annotations

from coilbench_worker.configuration import Configuration
from coilbench_worker.node import Node
from coilbench_worker.passwords import masked_address


class EmbeddedWorker(Node):
    """A worker on the broker inside this process; what that broker forgets at an end, re-dispatch finds again.

    Raises
    ------
    ValueError : `configuration` names a broker outside the process; `run_worker` is for that
    """

    def __init__(self, configuration: Configuration) -> None:
        if not configuration.embedded:
            raise ValueError(
                f"the broker {masked_address(configuration.broker)} is outside this process; "
                "start `coilbench-server worker`"
            )
        super().__init__(configuration)
