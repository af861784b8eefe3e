"""Numbers for Prometheus: requests answered, takes by state, whether the database answers."""

from __future__ import annotations

import time
from collections.abc import Iterable

from flask import Flask, Response, g, request
from prometheus_client import CollectorRegistry, Counter, Histogram, generate_latest
from prometheus_client.core import GaugeMetricFamily
from prometheus_client.registry import Collector
from sqlalchemy.exc import SQLAlchemyError

from coilbench_service.bench import Bench
from coilbench_service.readiness import NODE_SILENT_S
from coilbench_worker.store import nodes, takes

MEDIA_TYPE = "text/plain; version=0.0.4; charset=utf-8"


class _Store(Collector):
    def __init__(self, bench: Bench) -> None:
        self._bench = bench

    def collect(self) -> Iterable[GaugeMetricFamily]:
        answers = GaugeMetricFamily("coilbench_database_answers", "1 when the database answers")
        states = GaugeMetricFamily("coilbench_takes", "Takes by state", labels=["state"])
        workers = GaugeMetricFamily("coilbench_worker_processes", "Measuring processes that are present")
        try:
            with self._bench.database.read() as connection:
                counts = takes.counts(connection)
                present = nodes.present(connection, NODE_SILENT_S)
        except SQLAlchemyError:
            answers.add_metric([], 0)
            return [answers]
        answers.add_metric([], 1)
        for state, number in counts.items():
            states.add_metric([state], number)
        workers.add_metric([], sum(node.processes for node in present))
        return [answers, states, workers]


class Metrics:
    """The numbers of one app."""

    def __init__(self, bench: Bench) -> None:
        self._registry = CollectorRegistry()
        self._registry.register(_Store(bench))
        self._requests = Counter(
            "coilbench_requests", "Requests answered", ["method", "route", "status"], registry=self._registry
        )
        self._seconds = Histogram(
            "coilbench_request_seconds", "Time to answer, s", ["method", "route"], registry=self._registry
        )

    def register(self, app: Flask) -> None:
        """Count every request of the app."""
        app.after_request(self._count)

    def text(self) -> bytes:
        """The numbers in Prometheus' text form."""
        return generate_latest(self._registry)

    def _count(self, response: Response) -> Response:
        route = request.url_rule.rule if request.url_rule is not None else "none"
        method = request.method if request.url_rule is not None else "any"
        self._requests.labels(method, route, str(response.status_code)).inc()
        self._seconds.labels(method, route).observe(time.perf_counter() - g.began_s)
        return response
