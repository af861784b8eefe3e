"""What the tests of the page find on the service: a session of the invented shop, measured."""

from __future__ import annotations

import io
from dataclasses import dataclass, replace
from typing import Any

import soundfile

from coilbench_worker.model import shop
from coilbench_worker.model.take import render
from http_service import Service

RATE_HZ = 48_000
STRUMS = 3
OF_THE_SHOP = (10, 11, 0, 1, 2)
"""Takes by their place in the session: two of the fourth pickup and its spoiled first try, two of the first pickup."""


@dataclass(frozen=True)
class Bench:
    """The served service and the takes that are there from the start; tests that change one send their own."""

    service: Service
    url: str
    takes: list[dict[str, Any]]

    def take(self, label: str) -> dict[str, Any]:
        """The take with this label."""
        return next(take for take in self.takes if take["about"]["label"] == label)


def recording(take: shop.ShopTake) -> bytes:
    """The first strums of a take of the shop as a FLAC file."""
    strums = take.take.strums[:STRUMS]
    short = replace(take.take, strums=strums, duration_s=shop.FIRST_ONSET_S + STRUMS * shop.APART_S)
    file = io.BytesIO()
    soundfile.write(file, render(short, RATE_HZ).samples, RATE_HZ, format="FLAC", subtype="PCM_24")
    return file.getvalue()
