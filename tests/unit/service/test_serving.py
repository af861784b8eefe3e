"""Where a server says it is, and where this machine reaches it."""

from __future__ import annotations

import pytest

from coilbench_service.serving import Server


@pytest.mark.parametrize(
    ("host", "address", "reached_at"),
    [
        ("127.0.0.1", "http://127.0.0.1:", "http://127.0.0.1:"),
        ("localhost", "http://localhost:", "http://localhost:"),
        ("0.0.0.0", "http://0.0.0.0:", "http://127.0.0.1:"),
    ],
)
def test_a_server_on_all_addresses_is_asked_on_this_machine_s_own(host: str, address: str, reached_at: str) -> None:
    server = Server(lambda environ, start: [], host, 0, 1024)
    try:
        port = server.address.rpartition(":")[2]
        assert int(port) > 0
        assert (server.address, server.reached_at) == (f"{address}{port}", f"{reached_at}{port}")
    finally:
        server.close()
