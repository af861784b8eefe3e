"""What is an address to listen on, which of them reach this machine only, and which host names are answered to."""

from __future__ import annotations

import pytest
from flask import Request
from werkzeug.test import EnvironBuilder

from coilbench_service.hosts import NoAddress, is_loopback, require_address, require_our_host
from coilbench_service.problems import Problem


@pytest.mark.parametrize(
    ("listen", "host", "port"),
    [
        ("127.0.0.1:8080", "127.0.0.1", 8080),
        ("127.0.0.9:0", "127.0.0.9", 0),
        ("localhost:80", "localhost", 80),
        ("[::1]:8080", "::1", 8080),
    ],
)
def test_an_address_of_this_machine_only_is_known_as_one(listen: str, host: str, port: int) -> None:
    assert require_address(listen) == (host, port)
    assert is_loopback(host)


@pytest.mark.parametrize("listen", ["0.0.0.0:8080", "[::]:8080", "192.168.1.5:80", "studio.example:80", "128.0.0.1:80"])
def test_any_other_address_reaches_further(listen: str) -> None:
    host, _ = require_address(listen)
    assert not is_loopback(host)


@pytest.mark.parametrize("listen", ["8080", "127.0.0.1", "127.0.0.1:99999", "127.0.0.1:port", "", "127.0.0.1:80/x"])
def test_what_is_no_address_is_refused(listen: str) -> None:
    with pytest.raises(NoAddress):
        require_address(listen)


def _call(host: str, **headers: str) -> Request:
    environ = EnvironBuilder(headers=headers).get_environ()
    environ["HTTP_HOST"] = host
    return Request(environ)


@pytest.mark.parametrize(
    "host", ["localhost", "localhost:8080", "127.0.0.1:8080", "[::1]:8080", "LOCALHOST:1", "bench.studio.example"]
)
def test_our_own_names_are_answered(host: str) -> None:
    require_our_host(_call(host), ["Bench.Studio.example"])


@pytest.mark.parametrize(
    "host",
    ["evil.example", "evil.example:8080", "127.0.0.1.evil.example", "", "localhost@evil.example", "[bad", "10.0.0.7"],
)
def test_a_name_that_is_not_ours_is_turned_away(host: str) -> None:
    with pytest.raises(Problem) as caught:
        require_our_host(_call(host), [])
    assert caught.value.kind.slug == "host-not-allowed"


@pytest.mark.parametrize("host", ["10.0.0.7", "10.0.0.7:8080", "[2001:db8::7]:8080"])
def test_a_service_on_a_network_answers_to_its_numbers_and_no_further_name(host: str) -> None:
    require_our_host(_call(host), [], numbers=True)
    for name in ("evil.example", "10.0.0.7.evil.example", "api"):
        with pytest.raises(Problem):
            require_our_host(_call(name), [], numbers=True)


@pytest.mark.parametrize(
    "origin", ["http://evil.example", "null", "http://localhost:9999", "https://localhost", "http://[::1", "http://["]
)
def test_a_page_of_another_site_is_turned_away(origin: str) -> None:
    with pytest.raises(Problem) as caught:
        require_our_host(_call("localhost:8080", Origin=origin), [])
    assert caught.value.kind.slug == "foreign-origin"


def test_our_own_page_may_ask() -> None:
    require_our_host(_call("localhost:8080", Origin="http://localhost:8080"), [])
