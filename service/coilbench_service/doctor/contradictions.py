"""Settings that are each allowed and together not what anybody means."""

from __future__ import annotations

from collections.abc import Iterator
from urllib.parse import urlsplit

from coilbench_service.doctor.finding import Finding
from coilbench_service.hosts import is_loopback
from coilbench_service.readiness import NODE_SILENT_S
from coilbench_worker.configuration import Configuration

REPORTS_MISSED = 2
"""Of a worker, until it counts as gone; one may be late."""


def findings(configuration: Configuration) -> Iterator[Finding]:
    """Looks at the settings alone."""
    yield from _rhythm(configuration)
    yield from _numbers(configuration)
    yield from _store_keys(configuration)
    yield from _one_machine(configuration)


def _rhythm(configuration: Configuration) -> Iterator[Finding]:
    every_s, lease_s, hard_s = configuration.redispatch_every_s, configuration.lease_s, configuration.hard_limit_s
    if REPORTS_MISSED * every_s > NODE_SILENT_S:
        yield Finding(
            "BROKEN",
            "settings",
            f"COILBENCH_REDISPATCH_EVERY_S is {every_s:g}",
            f"workers report that often, and one that is silent for {NODE_SILENT_S:g} s counts as gone: /readyz would "
            "say so again and again",
            f"set it to {NODE_SILENT_S / REPORTS_MISSED:g} or less",
        )
    if lease_s > hard_s:
        yield Finding(
            "caution",
            "settings",
            f"COILBENCH_LEASE_S is {lease_s:g}, longer than COILBENCH_HARD_LIMIT_S, {hard_s:g}",
            "a take whose process died waits for the end of the lease, longer than any measurement may last",
            "set the lease to some ten seconds; it is extended while a take is being measured",
        )


def _numbers(configuration: Configuration) -> Iterator[Finding]:
    listen = configuration.metrics_listen
    if listen is None:
        return
    host, _, port = listen.rpartition(":")
    name = "settings"
    what = f"COILBENCH_METRICS_LISTEN is {listen}"
    if configuration.embedded:
        why = "only a worker of its own listens there; `coilbench-server up` has its numbers at /metrics"
        yield Finding("caution", name, what, why, "unset it")
    elif int(port) == configuration.port and host.strip("[]") == configuration.host and int(port) != 0:
        why = "the service listens there as well, and whoever comes second does not start"
        yield Finding("BROKEN", name, what, why, "give the worker another port, for example 9100")
    elif not is_loopback(host.strip("[]")):
        why = "no key is asked for there: who reaches the address reads the numbers (no names, no recordings)"
        yield Finding("caution", name, what, why, "see that only an internal network reaches it")


def _store_keys(configuration: Configuration) -> Iterator[Finding]:
    access, secret = configuration.blob_access_key, configuration.blob_secret_key
    if (access is None) != (secret is None):
        missing = "COILBENCH_BLOB_SECRET_KEY" if secret is None else "COILBENCH_BLOB_ACCESS_KEY"
        why = "the store of recordings wants both or neither, and turns the service away"
        yield Finding("BROKEN", "settings", f"{missing} is missing", why, "set it, or unset its companion")
    far = (configuration.blob_endpoint, access, secret) != (None, None, None)
    if far and not configuration.blobs.startswith("s3://"):
        what = "COILBENCH_BLOB_ENDPOINT or a key of the store is set, and COILBENCH_BLOB_URL names no s3:// store"
        yield Finding("caution", "settings", what, "they have no effect", "set COILBENCH_BLOB_URL, or unset them")
    unused = [
        name
        for name, value, used in (
            ("COILBENCH_DATABASE_PASSWORD", configuration.database_password, configuration.database_url is not None),
            ("COILBENCH_BROKER_PASSWORD", configuration.broker_password, not configuration.embedded),
        )
        if value is not None and not used
    ]
    for name in unused:
        yield Finding("caution", "settings", f"{name} is set without an address", "it has no effect", "unset it")


def _one_machine(configuration: Configuration) -> Iterator[Finding]:
    """A broker elsewhere means other hosts, which don't see what lies on the disk of this one."""
    elsewhere = not configuration.embedded and not is_loopback(urlsplit(configuration.broker).hostname or "localhost")
    if elsewhere and configuration.database.startswith("sqlite:"):
        yield Finding(
            "caution",
            "settings",
            "the broker is on another host, and the database is a file on this one",
            "workers of other hosts would get word of takes that they can't find",
            "set COILBENCH_DATABASE_URL to a PostgreSQL database that all hosts reach",
        )
    if elsewhere and "://" not in configuration.blobs:
        yield Finding(
            "caution",
            "settings",
            "the broker is on another host, and recordings are in a folder of this one",
            "workers of other hosts can't open them, unless all mount the same folder there",
            "set COILBENCH_BLOB_URL to a store that all hosts reach",
        )
