"""The process that draws: takes requests on standard input, answers on standard output, ends with its input.

It also ends when nothing was asked for a while, as the renderer holds some 200 MB; `drawer` starts another.

A request is a JSON object behind its length, an answer a byte (0: drawn) and what was drawn, or why not, behind its
length; lengths are of four bytes, the highest first.
"""

from __future__ import annotations

import json
import os
import signal
import sys
import threading
from typing import IO, Any

from coilbench_service.charts.chart import VERSION

IDLE_S = 300.0
NOWHERE: list[str] = []
"""Addresses that a drawing may fetch from."""
PIXELS_PER_INCH = 72.0
LENGTH_BYTES = 4
DRAWN, NOT_DRAWN = b"\0", b"\1"


def main() -> None:
    """Draw until the input ends."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # Ctrl-C is for the parent, which closes the input
    answers = os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)  # whatever else says something, says it there
    requests = sys.stdin.buffer
    while True:
        watch = threading.Timer(IDLE_S, os._exit, (0,))
        watch.daemon = True
        watch.start()
        request = read(requests)
        watch.cancel()
        if request is None:
            return
        try:
            status, content = DRAWN, _drawn(**json.loads(request))
        except Exception as error:
            status, content = NOT_DRAWN, str(error).encode("utf-8", "replace")
        answers.write(status + framed(content))
        answers.flush()


def read(stream: IO[bytes]) -> bytes | None:
    """What stands behind a length; None at the end of the stream."""
    head = stream.read(LENGTH_BYTES)
    if len(head) < LENGTH_BYTES:
        return None
    length = int.from_bytes(head, "big")
    content = stream.read(length)
    return content if len(content) == length else None


def framed(content: bytes) -> bytes:
    """Bytes behind their length."""
    return len(content).to_bytes(LENGTH_BYTES, "big") + content


def _drawn(form: str, document: dict[str, Any], scale: float) -> bytes:
    import vl_convert  # here, as the parent reads frames, too, and shall not load a renderer

    if form == "svg":
        text: str = vl_convert.vegalite_to_svg(document, vl_version=VERSION, allowed_base_urls=NOWHERE)
        return text.encode()
    if form == "pdf":
        page: bytes = vl_convert.vegalite_to_pdf(document, vl_version=VERSION, allowed_base_urls=NOWHERE)
        return page
    picture: bytes = vl_convert.vegalite_to_png(
        document, vl_version=VERSION, scale=scale, ppi=PIXELS_PER_INCH, allowed_base_urls=NOWHERE
    )
    return picture


if __name__ == "__main__":
    main()
