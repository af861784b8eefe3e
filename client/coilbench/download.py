"""What is at an address, fetched into a file block by block."""

from __future__ import annotations

from pathlib import Path

import requests

from coilbench.errors import NotReachable
from coilbench.transport import Query, Transport
from coilbench.whole_file import write_whole

BLOCK_BYTES = 1 << 16


def download(
    transport: Transport,
    path: str,
    target: Path,
    *,
    query: Query = (),
    accept: str = "*/*",
    timeout_s: float | None = None,
) -> Path:
    """Fetch into a file; all or nothing. After a lost connection it begins anew, as often as patience allows.

    Parameters
    ----------
    transport : to the service
    path, query : of the address
    target : where to; an existing file is replaced once the new one is complete
    accept : media types
    timeout_s : for the answer to begin, s; the transport's own by default

    Raises
    ------
    NotReachable, Refused : as any request
    NotSaved : it can't be written there
    """
    return write_whole(target, lambda partial: _fetch(transport, path, query, accept, timeout_s, partial))


def _fetch(transport: Transport, path: str, query: Query, accept: str, timeout_s: float | None, partial: Path) -> None:
    retry = 0
    while True:
        headers = {"Accept": f"{accept}, application/problem+json;q=0.5"}
        answer = transport.request("GET", path, query=query, headers=headers, timeout_s=timeout_s, stream=True)
        try:
            with answer, partial.open("wb") as file:
                for block in answer.iter_content(BLOCK_BYTES):
                    file.write(block)
            return
        except requests.exceptions.RequestException as cause:
            wait_s = transport.patience.wait_s(retry)
            if wait_s is None:
                raise NotReachable(transport.url, "the connection was lost within the answer") from cause
        transport.patience.pause(wait_s)
        retry += 1
