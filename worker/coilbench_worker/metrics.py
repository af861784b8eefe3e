"""What is counted while takes are received and measured, for Prometheus.

Service, worker and measuring process each have one `Instruments`. Labels have few values, all known beforehand: stages,
states, kinds of problems. Never an id, an address, or anything that a user wrote.

Measuring processes are children, which can't be asked; they count into files (see `slots`), and `families` adds those
to what the process itself counted.
"""

from __future__ import annotations

import threading
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from itertools import chain
from typing import Any

from prometheus_client import CollectorRegistry, Counter, Histogram, Metric, disable_created_metrics, start_http_server
from prometheus_client.registry import Collector

from coilbench_worker import slots
from coilbench_worker.store.states import FINAL_STATES

STAGES = ("receive", "queue", "fetch", "measure", "write")
"""Of a take's life: taken in by the service; waiting; the recording brought here; read and measured; result kept."""
STAGE_BOUNDS_S = (0.005, 0.01, 0.025, 0.05, 0.1, 0.25, 0.5, 1.0, 2.5, 5.0, 10.0, 30.0, 60.0, 300.0, 900.0, 3600.0)
STORES = ("database", "recordings")
DELIVERIES = ("delivered", "failed", "given-up")
"""Of a call-back: it arrived; it did not and is tried again; it did not for the last time."""

disable_created_metrics()  # type: ignore[no-untyped-call] # a second line for each counter, of no use here


class Instruments:
    """The counters and histograms of one process; each name and label is in docs/watching.md."""

    def __init__(self) -> None:
        self.registry = CollectorRegistry()
        self.stage = Histogram(
            "coilbench_stage_seconds",
            "Time of a take in one stage of its life, s",
            ["stage"],
            buckets=STAGE_BOUNDS_S,
            registry=self.registry,
        )
        self.ended = self._counter("coilbench_takes_ended", "Measurements that came to an end, by state", "state")
        self.unmeasured = self._counter(
            "coilbench_takes_unmeasured", "Takes that were rejected or failed, by kind of problem", "problem"
        )
        self.repeats = self._counter("coilbench_repeated_attempts", "Attempts to measure a take beyond its first")
        self.announced_again = self._counter(
            "coilbench_repeated_announcements", "Takes announced again to the workers, because none had begun them"
        )
        self.store_errors = self._counter(
            "coilbench_store_errors", "Times that a store could not be reached or used", "store"
        )
        self.broker_errors = self._counter(
            "coilbench_broker_errors", "Times that the broker could not be told of a take"
        )
        self.deliveries = self._counter("coilbench_callback_deliveries", "Tries to deliver a call-back", "outcome")
        self.problems = self._counter("coilbench_problems", "Requests answered with a problem, by kind", "problem")
        for name in STAGES:
            self.stage.labels(name)
        for name in FINAL_STATES:
            self.ended.labels(name)
        for name in STORES:
            self.store_errors.labels(name)
        for name in DELIVERIES:
            self.deliveries.labels(name)

    def ended_as(self, state: str, problem: Mapping[str, Any] | None = None) -> None:
        """Count a measurement that came to a final state, with its problem (RFC 9457) if it has one."""
        self.ended.labels(state).inc()
        if problem is not None:
            self.unmeasured.labels(slug(problem)).inc()

    def _counter(self, name: str, says: str, *labels: str) -> Counter:
        return Counter(name, says, labels, registry=self.registry)


_lock = threading.Lock()
_ours: Instruments | None = None


def instruments() -> Instruments:
    """Those of this process, made when first asked for."""
    global _ours
    with _lock:
        if _ours is None:
            _ours = Instruments()
        return _ours


def count_in_slot(folder: str, slot: int) -> None:
    """Make this process, a measuring one, count into the files of its slot. Call it before anything is counted."""
    global _ours
    with _lock:
        slots.count_in(folder, slot)
        _ours = Instruments()


def slug(problem: Mapping[str, Any]) -> str:
    """Short name of a problem's kind, the end of its type."""
    return str(problem.get("type", "")).rpartition("/")[2]


class Everything(Collector):
    """What this process and its measuring processes counted, and what else is collected."""

    def __init__(self, *others: Collector) -> None:
        self._others = others

    def collect(self) -> Iterable[Metric]:
        """The families, each once."""
        sources: list[Collector] = [instruments().registry, *slots.collectors(), *self._others]
        return together(chain.from_iterable(source.collect() for source in sources))


def together(families: Iterable[Metric]) -> list[Metric]:
    """Families of the same name made one, and samples of the same labels added up."""
    found: dict[str, Metric] = {}
    values: dict[str, dict[tuple[str, tuple[tuple[str, str], ...]], float]] = {}
    for family in families:
        found.setdefault(family.name, Metric(family.name, family.documentation, family.type))
        sums = values.setdefault(family.name, {})
        for sample in family.samples:
            key = (sample.name, tuple(sorted(sample.labels.items())))
            sums[key] = sums.get(key, 0.0) + sample.value
    for name, family in found.items():
        for (sample_name, labels), value in values[name].items():
            family.add_sample(sample_name, dict(labels), value)
    return list(found.values())


@contextmanager
def served(listen: str | None) -> Iterator[None]:
    """During the block, give the numbers of this process to whoever asks at the address; there is no key to it.

    Parameters
    ----------
    listen : ADDRESS:PORT; None: nowhere

    Raises
    ------
    OSError : the address can't be listened on
    """
    if listen is None:
        yield
        return
    host, _, port = listen.rpartition(":")
    registry = CollectorRegistry(auto_describe=True)
    registry.register(Everything())
    server, thread = start_http_server(int(port), host.strip("[]"), registry)
    try:
        yield
    finally:
        server.shutdown()
        server.server_close()
        thread.join()
