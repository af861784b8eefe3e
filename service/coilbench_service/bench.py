"""What the routes work with, made once for an app and handed to each of them."""

from __future__ import annotations

import threading
from dataclasses import dataclass, field

from coilbench_service.excerpt_shelf import ExcerptShelf
from coilbench_service.idempotency import KeysInFlight
from coilbench_service.waiting import Waiters
from coilbench_worker.audio.limits import AudioLimits
from coilbench_worker.configuration import Configuration
from coilbench_worker.jobs.dispatch import Dispatcher
from coilbench_worker.store.blobs import Blobs
from coilbench_worker.store.database import Database

SERVER_THREADS = 32
WAITING_PLACES = SERVER_THREADS // 2
TONES_AT_ONCE = 2
"""Reference tones measured at a time: each takes a process of its own, and memory of that."""


@dataclass(frozen=True)
class Bench:
    """The stores, the way to the workers, the places for those who wait, for tones and for excerpts."""

    configuration: Configuration
    database: Database
    blobs: Blobs
    dispatcher: Dispatcher
    waiters: Waiters
    keys: KeysInFlight
    tones: threading.BoundedSemaphore = field(default_factory=lambda: threading.BoundedSemaphore(TONES_AT_ONCE))
    excerpts: ExcerptShelf = field(default_factory=ExcerptShelf)

    @classmethod
    def of(cls, configuration: Configuration) -> Bench:
        """The bench of a configuration; nothing is connected yet."""
        database = Database(configuration.database)
        return cls(
            configuration=configuration,
            database=database,
            blobs=Blobs.of(configuration),
            dispatcher=Dispatcher(configuration, database),
            waiters=Waiters(WAITING_PLACES),
            keys=KeysInFlight(),
        )

    @property
    def audio_limits(self) -> AudioLimits:
        """Bounds of a recording, from the settings."""
        return AudioLimits(
            max_channels=self.configuration.max_channels, max_duration_s=self.configuration.max_duration_s
        )

    def close(self) -> None:
        """Let waiters go and close connections."""
        self.waiters.close()
        self.excerpts.close()
        self.dispatcher.close()
        self.blobs.close()
        self.database.close()
