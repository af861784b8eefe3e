"""Who gets call-backs in tests: a real HTTP server on the loopback address that keeps what came and answers as told."""

from __future__ import annotations

import json
import socket
import ssl
import threading
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any

LOOPBACK = "127.0.0.1"


@dataclass(frozen=True)
class Message:
    """One request as it came; names of headers in lower case."""

    path: str
    headers: Mapping[str, str]
    body: bytes

    @property
    def id(self) -> str:
        """Its `webhook-id`."""
        return self.headers["webhook-id"]

    @property
    def document(self) -> dict[str, Any]:
        """The body as JSON values."""
        found: dict[str, Any] = json.loads(self.body)
        return found


class _Server(ThreadingHTTPServer):
    daemon_threads = True
    request_queue_size = 64

    def handle_error(self, request: Any, client_address: Any) -> None:
        """Senders that hang up, or don't like our certificate, are part of the tests."""


class Receiver:
    """A receiver.

    Parameters
    ----------
    port : 0 for a free one
    context : of TLS, or None
    """

    def __init__(self, port: int = 0, context: ssl.SSLContext | None = None) -> None:
        self.messages: list[Message] = []
        self.answers: list[tuple[int, dict[str, str], bytes]] = []
        """What the next requests are answered; 204 once they are used up."""
        self.let_go = threading.Event()
        """Clear it, and answers are held until it is set."""
        self.let_go.set()
        self.most_at_once = 0
        self._at_once = 0
        self._lock = threading.Lock()
        self._server = _Server((LOOPBACK, port), self._handler())
        if context is not None:
            self._server.socket = context.wrap_socket(self._server.socket, server_side=True)
        self.scheme = "https" if context is not None else "http"
        self._thread = threading.Thread(target=lambda: self._server.serve_forever(poll_interval=0.02), daemon=True)
        self._thread.start()

    @property
    def port(self) -> int:
        """Where it listens."""
        return self._server.server_port

    @property
    def url(self) -> str:
        """An address of it."""
        return f"{self.scheme}://{LOOPBACK}:{self.port}/take?from=bench"

    def answer(self, status: int, headers: Mapping[str, str] | None = None, body: bytes = b"") -> None:
        """Answer one further request so."""
        self.answers.append((status, dict(headers or {}), body))

    def close(self) -> None:
        """Let everybody go and end."""
        self.let_go.set()
        self._server.shutdown()
        self._server.server_close()
        self._thread.join()

    def _take(self, message: Message) -> tuple[int, dict[str, str], bytes]:
        with self._lock:
            self.messages.append(message)
            self._at_once += 1
            self.most_at_once = max(self.most_at_once, self._at_once)
            answer = self.answers.pop(0) if self.answers else (204, {}, b"")
        self.let_go.wait(60)
        with self._lock:
            self._at_once -= 1
        return answer

    def _handler(self) -> type[BaseHTTPRequestHandler]:
        receiver = self

        class Handler(BaseHTTPRequestHandler):
            def do_POST(self) -> None:
                body = self.rfile.read(int(self.headers["Content-Length"]))
                headers = {name.lower(): value for name, value in self.headers.items()}
                status, extra, said = receiver._take(Message(self.path, headers, body))
                self.send_response(status)
                for name, value in {"Content-Length": str(len(said)), **extra}.items():
                    self.send_header(name, value)
                self.end_headers()
                self.wfile.write(said)

            def log_message(self, format: str, *arguments: Any) -> None:
                """Say nothing."""

        return Handler


@contextmanager
def receiving(port: int = 0, context: ssl.SSLContext | None = None) -> Iterator[Receiver]:
    """A receiver for the length of the block."""
    receiver = Receiver(port, context)
    try:
        yield receiver
    finally:
        receiver.close()


@contextmanager
def listening(*parts: bytes, hang: bool = False) -> Iterator[int]:
    """A port that answers the first connection with bytes, whatever they are, then hangs up, or hangs.

    Yields
    ------
    int : the port
    """
    done = threading.Event()
    with socket.create_server((LOOPBACK, 0)) as listener:

        def serve() -> None:
            try:
                connection, _ = listener.accept()
            except OSError:
                return
            with connection:
                try:
                    connection.recv(65536)
                    for part in parts:
                        connection.sendall(part)
                    if hang:
                        done.wait(60)
                except OSError:
                    return

        thread = threading.Thread(target=serve, daemon=True)
        thread.start()
        try:
            port: int = listener.getsockname()[1]
            yield port
        finally:
            done.set()
            with socket.socket() as last:  # whom nobody called waits no longer
                last.settimeout(1)
                last.connect_ex(listener.getsockname())
            thread.join()
