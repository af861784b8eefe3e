"""One POST to a real port: pinned, in time, without proxies and redirects, with TLS that looks at the name."""

from __future__ import annotations

import ipaddress
import socket
import ssl
import subprocess
from pathlib import Path
from typing import Any

import pytest

from coilbench_worker.callbacks import post as posting
from coilbench_worker.callbacks.address import Resolved, parse, resolve
from coilbench_worker.callbacks.post import Answer, NoAnswer, post
from coilbench_worker.callbacks.reach import Reach
from receiver import LOOPBACK, listening, receiving
from services import program

HERE = Reach.of(LOOPBACK)
BODY = b'{"type":"take.measured"}'


def at(url: str, *addresses: str) -> Resolved:
    """The address, resolved to these, or to this machine."""
    return Resolved(parse(url), tuple(ipaddress.ip_address(address) for address in addresses or (LOOPBACK,)))


def sent_to(port: int, *, timeout_s: float = 10.0) -> Answer:
    return post(at(f"http://{LOOPBACK}:{port}/"), {"webhook-id": "m-1"}, BODY, timeout_s=timeout_s)


def certificate(folder: Path, name: str) -> tuple[ssl.SSLContext, ssl.SSLContext]:
    """TLS of a server that is called so, and of a client that trusts it."""
    key, cert = folder / "key.pem", folder / "cert.pem"
    subprocess.run(
        [
            *(program("openssl", "openssl"), "req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:P-256"),
            *("-nodes", "-days", "2", "-subj", "/CN=a test", "-addext", f"subjectAltName=DNS:{name}"),
            *("-keyout", str(key), "-out", str(cert)),
        ],
        check=True,
        capture_output=True,
    )
    server = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    server.load_cert_chain(cert, key)
    return server, ssl.create_default_context(cafile=str(cert))


def test_what_is_sent_arrives_whole_under_the_name_that_was_asked_for() -> None:
    with receiving() as receiver:
        address = at(f"http://hooks.studio.example:{receiver.port}/take?a=b")
        assert post(address, {"webhook-id": "m-1"}, BODY) == Answer(204, "")
    (message,) = receiver.messages
    assert (message.path, message.body, message.id) == ("/take?a=b", BODY, "m-1")
    assert message.headers["host"] == f"hooks.studio.example:{receiver.port}"


def test_no_proxy_of_the_environment_is_asked(monkeypatch: pytest.MonkeyPatch) -> None:
    with receiving() as proxy, receiving() as receiver:
        for name in ("http_proxy", "HTTP_PROXY", "https_proxy", "ALL_PROXY", "all_proxy"):
            monkeypatch.setenv(name, f"http://{LOOPBACK}:{proxy.port}")
        assert sent_to(receiver.port).status == 204
    assert proxy.messages == []
    assert len(receiver.messages) == 1


def test_a_redirect_is_an_answer_and_not_followed() -> None:
    with receiving() as elsewhere, receiving() as receiver:
        receiver.answer(307, {"Location": elsewhere.url})
        assert sent_to(receiver.port).status == 307
    assert elsewhere.messages == []


def test_of_a_long_answer_the_begin_is_read() -> None:
    with receiving() as receiver:
        receiver.answer(500, body=b"x" * 1_000_000)
        answer = sent_to(receiver.port)
    assert (answer.status, answer.excerpt) == (500, "x" * posting.MOST_ANSWER_BYTES)


def test_what_follows_a_good_status_is_not_read_at_all() -> None:
    head = b"HTTP/1.1 200 OK\r\nContent-Length: 1000000\r\n\r\n"
    with listening(head, hang=True) as port:
        assert sent_to(port) == Answer(200, "")


@pytest.mark.parametrize(
    "said", [b"", b"220 mail.example ready\r\n", b"HTTP/1.1 what\r\n\r\n", b"HTTP/1.1 200 OK\r\n" + b"a: b\r\n" * 5000]
)
def test_what_is_not_http_is_no_answer(said: bytes) -> None:
    with listening(said) as port, pytest.raises(NoAnswer):
        sent_to(port)


@pytest.mark.parametrize("said", [(), (b"HTTP/1.1 200 OK\r\n",), (b"HTTP/1.1 100 Continue\r\n\r\n",) * 3])
def test_who_does_not_finish_an_answer_is_not_waited_for(said: tuple[bytes, ...]) -> None:
    with listening(*said, hang=True) as port, pytest.raises(NoAnswer, match=r"no answer within 0\.3 s"):
        sent_to(port, timeout_s=0.3)


def test_a_trickle_does_not_begin_the_time_anew(monkeypatch: pytest.MonkeyPatch) -> None:
    clock = iter(range(1000))
    monkeypatch.setattr(posting.time, "monotonic", lambda: float(next(clock)))  # a second at each look
    trickle = [b"HTTP/1.1 200 OK\r\n", *(b"a: b\r\n" for _ in range(90))]
    with listening(*trickle, hang=True) as port, pytest.raises(NoAnswer, match="within 5 s"):
        sent_to(port, timeout_s=5)


def test_nobody_who_listens_is_no_answer() -> None:
    with socket.create_server((LOOPBACK, 0)) as listener:
        port = listener.getsockname()[1]
    with pytest.raises(NoAnswer, match="no connection"):
        sent_to(port)


def test_the_next_address_of_a_name_is_tried_when_one_takes_no_connection() -> None:
    with receiving() as receiver:
        address = at(f"http://hooks.example:{receiver.port}/", "127.0.0.2", LOOPBACK)
        assert post(address, {}, BODY).status == 204


def test_tls_holds_the_certificate_against_the_name(tmp_path: Path) -> None:
    server, client = certificate(tmp_path, "hooks.studio.example")
    with receiving(context=server) as receiver:
        good = at(f"https://hooks.studio.example:{receiver.port}/")
        assert post(good, {}, BODY, context=client).status == 204
        other = at(f"https://other.studio.example:{receiver.port}/")
        with pytest.raises(NoAnswer, match="certificate"):
            post(other, {}, BODY, context=client)
        with pytest.raises(NoAnswer, match="certificate"):
            post(good, {}, BODY)  # signed by nobody whom this machine trusts
        assert len(receiver.messages) == 1


def test_plain_http_behind_https_is_no_answer() -> None:
    with receiving() as receiver, pytest.raises(NoAnswer, match="no TLS"):
        post(at(f"https://hooks.example:{receiver.port}/"), {}, BODY)
    assert receiver.messages == []


def test_a_name_that_answers_differently_the_second_time_changes_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[str] = []

    def rebinding(host: str, port: int, *_: Any, **__: Any) -> list[tuple[Any, ...]]:
        asked.append(host)
        address = LOOPBACK if len(asked) == 1 else "10.0.0.1"
        return [(socket.AF_INET, socket.SOCK_STREAM, 6, "", (address, port))]

    monkeypatch.setattr(socket, "getaddrinfo", rebinding)
    with receiving() as receiver:
        resolved = resolve(parse(f"http://hooks.studio.example:{receiver.port}/"), Reach.of("hooks.studio.example"))
        assert post(resolved, {}, BODY).status == 204
    assert asked == ["hooks.studio.example"]
    assert len(receiver.messages) == 1
