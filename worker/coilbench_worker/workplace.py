"""What a measuring process works with: the settings, the database, the recordings. Made once in each process."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from coilbench_worker.audio.limits import AudioLimits
from coilbench_worker.configuration import Configuration
from coilbench_worker.store.blobs import Blobs
from coilbench_worker.store.database import Database


class Workplace:
    """Settings, database and recordings of one process.

    Parameters
    ----------
    configuration : the settings, as its own kind or as the JSON values that came with the Celery app
    """

    def __init__(self, configuration: Configuration | Mapping[str, Any]) -> None:
        if not isinstance(configuration, Configuration):
            configuration = Configuration(**configuration)
        self.configuration = configuration
        self.database = Database(configuration.database)
        self.blobs = Blobs.of(configuration)
        self.limits = AudioLimits(max_channels=configuration.max_channels, max_duration_s=configuration.max_duration_s)
