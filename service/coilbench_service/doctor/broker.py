"""Whether the Redis that is the broker keeps what it is told."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from kombu.exceptions import OperationalError
from redis.exceptions import RedisError

from coilbench_service.doctor.finding import Finding, ok
from coilbench_worker.configuration import Configuration
from coilbench_worker.jobs.broker import celery_app


def findings(configuration: Configuration) -> Iterator[Finding]:
    """Nothing for the broker inside the process; ask only a broker that answers."""
    if configuration.embedded:
        return
    app = celery_app(configuration)
    try:
        with app.connection_for_write() as connection:
            client = connection.default_channel.client
            settings = {**client.config_get("appendonly"), **client.config_get("maxmemory-policy")}
    except (RedisError, OperationalError, OSError) as error:
        yield ok(
            "broker's settings", f"not told ({type(error).__name__}); see yourself that it keeps an append-only file"
        )
        return
    finally:
        app.close()
    yield from of_settings(settings)


def of_settings(settings: Mapping[str, str]) -> Iterator[Finding]:
    """What the answers to CONFIG GET mean for the broker."""
    if settings.get("appendonly") != "yes":
        yield Finding(
            "caution",
            "broker's settings",
            "appendonly is off",
            "a restart forgets which takes it was told of; none is lost, but each waits until it is announced again",
            "set appendonly yes in redis.conf, or start redis-server with --appendonly yes",
        )
    policy = settings.get("maxmemory-policy", "noeviction")
    if policy != "noeviction":
        yield Finding(
            "caution",
            "broker's settings",
            f"maxmemory-policy is {policy}",
            "when its memory is full it throws away what it was told, in silence, instead of refusing more",
            "set maxmemory-policy noeviction; a Redis that is a cache for others should not be the broker",
        )
    if settings.get("appendonly") == "yes" and policy == "noeviction":
        yield ok("broker's settings", "keeps what it is told")
