"""Numbers for Prometheus: what requests and takes were counted here, and what the database says of the queue."""

from __future__ import annotations

import time
from collections.abc import Iterable

from flask import Flask, Response, g, request
from prometheus_client import CollectorRegistry, Counter, Histogram, Metric, generate_latest
from prometheus_client.core import GaugeMetricFamily
from prometheus_client.registry import Collector
from sqlalchemy import Connection
from sqlalchemy.exc import SQLAlchemyError
from sqlalchemy.pool import QueuePool

from coilbench_service.bench import Bench
from coilbench_service.readiness import NODE_SILENT_S
from coilbench_worker.metrics import Everything
from coilbench_worker.store import nodes, queue, takes

MEDIA_TYPE = "text/plain; version=0.0.4; charset=utf-8"
REQUEST_BOUNDS_S = (0.005, 0.01, 0.025, 0.05, 0.1, 0.25, 0.5, 1.0, 2.5, 5.0, 10.0, 30.0, 60.0)
AGREES_FOR_S = 1.0
"""Who asks more often gets the database's numbers of before: counting a hundred thousand takes costs something."""


class _Store(Collector):
    def __init__(self, bench: Bench) -> None:
        self._bench = bench
        self._looked_at = -AGREES_FOR_S
        self._last: list[Metric] = []

    def collect(self) -> Iterable[Metric]:
        if time.monotonic() - self._looked_at >= AGREES_FOR_S:
            self._last = self._look()
            self._looked_at = time.monotonic()
        return [*self._last, *self._pool()]

    def _look(self) -> list[Metric]:
        answers = GaugeMetricFamily("coilbench_database_answers", "1 when the database answers")
        try:
            with self._bench.database.read() as connection:
                found = _of_the_queue(connection)
        except SQLAlchemyError:
            answers.add_metric([], 0)
            return [answers]
        answers.add_metric([], 1)
        return [answers, *found]

    def _pool(self) -> list[Metric]:
        connections = GaugeMetricFamily(
            "coilbench_database_connections", "Connections to the database of this process", labels=["state"]
        )
        pool = self._bench.database.engine.pool
        if isinstance(pool, QueuePool):
            connections.add_metric(["in_use"], pool.checkedout())
            connections.add_metric(["idle"], pool.checkedin())
        return [connections]


def _of_the_queue(connection: Connection) -> list[Metric]:
    states = GaugeMetricFamily("coilbench_takes", "Takes by state", labels=["state"])
    for state, number in takes.counts(connection).items():
        states.add_metric([state], number)
    oldest = GaugeMetricFamily("coilbench_queue_age_seconds", "How long the oldest waiting take has waited, s")
    oldest.add_metric([], queue.oldest_waiting_s(connection))
    present = nodes.present(connection, NODE_SILENT_S)
    workers = GaugeMetricFamily("coilbench_workers", "Workers that are present")
    workers.add_metric([], len(present))
    processes = GaugeMetricFamily("coilbench_worker_processes", "Measuring processes that are present")
    processes.add_metric([], sum(node.processes for node in present))
    return [states, oldest, workers, processes]


class Metrics:
    """The numbers of one app."""

    def __init__(self, bench: Bench) -> None:
        ours = CollectorRegistry()
        self._requests = Counter(
            "coilbench_requests", "Requests answered", ["method", "route", "status"], registry=ours
        )
        self._seconds = Histogram(
            "coilbench_request_seconds",
            "Time to answer, s",
            ["method", "route"],
            buckets=REQUEST_BOUNDS_S,
            registry=ours,
        )
        self._received = Counter("coilbench_received_bytes", "Bytes of bodies of requests", registry=ours)
        self._sent = Counter("coilbench_sent_bytes", "Bytes of bodies of answers whose length was known", registry=ours)
        self._everything = Everything(ours, _Store(bench))

    def register(self, app: Flask) -> None:
        """Count every request of the app."""
        app.after_request(self._count)

    def text(self) -> bytes:
        """The numbers in Prometheus' text form."""
        return generate_latest(self._everything)

    def _count(self, response: Response) -> Response:
        route = request.url_rule.rule if request.url_rule is not None else "none"
        method = request.method if request.url_rule is not None else "any"
        self._requests.labels(method, route, str(response.status_code)).inc()
        self._seconds.labels(method, route).observe(time.perf_counter() - g.began_s)
        self._received.inc(request.content_length or 0)
        self._sent.inc(response.content_length or 0)
        return response
