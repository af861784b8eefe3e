"""Words from Redis that could not be acknowledged: the place of each is given back all the same.

A worker takes as many words at a time as it has processes. Kombu gives a place back once Redis has heard that the word
is done with; with Redis away at that very moment it never does. All places taken, the worker listens to nothing any
more, does not notice that its connections are gone, and would be deaf until somebody starts it again.
"""

from __future__ import annotations

from kombu.transport import redis, virtual


class Places(redis.QoS):
    """The places of one channel."""

    def ack(self, delivery_tag: str) -> None:
        """Acknowledge a word; its place is free even if that fails. Redis may hand the word out again, to no effect."""
        try:
            super().ack(delivery_tag)  # type: ignore[no-untyped-call]
        except Exception:
            virtual.QoS.ack(self, delivery_tag)  # type: ignore[no-untyped-call]
            raise


def install() -> None:
    """Have every channel to Redis that is opened from now on use `Places`."""
    redis.Channel.QoS = Places
