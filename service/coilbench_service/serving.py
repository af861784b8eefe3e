"""The HTTP server for one machine: waitress with enough threads for those who wait; begun and ended in good order."""

from __future__ import annotations

import signal
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from types import FrameType
from typing import Any
from urllib.request import ProxyHandler, build_opener

from waitress import wasyncore

from coilbench_service import connections
from coilbench_service.bench import SERVER_THREADS

LISTEN_BACKLOG = 1024
RECEIVE_BYTES = 256 * 1024
"""Taken from a connection at once: with the 8 KiB of the default a recording costs a thousand rounds of the loop."""
ANSWERS_WITHIN_S = 10.0
ASK_EVERY_S = 0.2


_EVERYWHERE = {"0.0.0.0": "127.0.0.1", "::": "::1"}


class PortTaken(Exception):
    """The address can't be listened on; the message says why and what to do."""


class Server:
    """A server that is bound to its address and answers once `run` is called.

    Parameters
    ----------
    app : WSGI
    host, port : 0 takes a free port; `address` has the real one
    max_upload_bytes : larger bodies are refused while they come
    keys_needed : whether large bodies with nothing like a key are refused as well

    Raises
    ------
    PortTaken : something else listens there, or the address is not of this machine
    """

    def __init__(
        self, app: Callable[..., Any], host: str, port: int, max_upload_bytes: int, *, keys_needed: bool = False
    ) -> None:
        try:
            limits = connections.Limits(
                listen=f"[{host}]:{port}" if ":" in host else f"{'127.0.0.1' if host == 'localhost' else host}:{port}",
                threads=SERVER_THREADS,
                max_request_body_size=max_upload_bytes + connections.ENVELOPE_BYTES,
                connection_limit=connections.most_connections(),
                channel_timeout=connections.STALLED_S,
                cleanup_interval=connections.LOOKED_AFTER_EVERY_S,
                asyncore_use_poll=connections.POLL,  # select can't watch files numbered 1024 and above
                backlog=LISTEN_BACKLOG,
                recv_bytes=RECEIVE_BYTES,
                ident="coilbench",
                clear_untrusted_proxy_headers=False,  # the app must see them: admission refuses, nothing believes them
            )
            limits.keys_needed = keys_needed
            server = connections.Listener(app, adj=limits)
        except OSError as error:
            raise PortTaken(
                f"Can't listen on {host}:{port}: {error.strerror or error}. Stop what listens there, or choose another "
                f"port: COILBENCH_LISTEN={host}:0 takes a free one."
            ) from error
        self._server = server
        self.address = f"http://{_in_address(host)}:{server.effective_port}"
        self.reached_at = f"http://{_in_address(_EVERYWHERE.get(host, host))}:{server.effective_port}"
        """The same from this machine, where `address` is all of its addresses at once."""

    def run(self) -> None:
        """Serve until SystemExit or KeyboardInterrupt is raised in this thread; running requests get 5 s to end."""
        self._server.run()

    def stop_listening(self) -> None:
        """Take no new connections; those that are there are served on."""
        wasyncore.dispatcher.close(self._server)

    def close(self) -> None:
        """Stop listening, and let everything go."""
        self._server.close()


def _in_address(host: str) -> str:
    return f"[{host}]" if ":" in host else host


def when_it_answers(address: str, then: Callable[[], None]) -> threading.Thread:
    """Call `then` once the service at the address answers, from a thread of its own that ends with the process."""
    opener = build_opener(ProxyHandler({}))
    pause = threading.Event()

    def ask() -> None:
        while True:
            try:
                with opener.open(f"{address}/healthz", timeout=ANSWERS_WITHIN_S) as answer:
                    answer.read()
            except OSError:
                pause.wait(ASK_EVERY_S)
            else:
                return then()

    thread = threading.Thread(target=ask, name="ready", daemon=True)
    thread.start()
    return thread


@contextmanager
def ending_on_signals(*before: Callable[[], None]) -> Iterator[None]:
    """Within the block SIGTERM and Ctrl-C raise SystemExit(0) in the main thread, once.

    Parameters
    ----------
    before : called first, in this order; must be quick
    """

    def end(_number: int, _frame: FrameType | None) -> None:
        for one in (signal.SIGTERM, signal.SIGINT):
            signal.signal(one, signal.SIG_IGN)
        for act in before:
            act()
        raise SystemExit(0)

    previous = {one: signal.signal(one, end) for one in (signal.SIGTERM, signal.SIGINT)}
    try:
        yield
    finally:
        for one, handler in previous.items():
            signal.signal(one, handler)
