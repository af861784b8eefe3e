"""Requests that no polite program sends, as bytes; each with what a server may say to it."""

from __future__ import annotations

import gzip
from collections.abc import Iterator
from dataclasses import dataclass

REFUSED = frozenset({400, 404, 405, 411, 413, 414, 415, 417, 421, 422, 431, 501, 505})
READ = frozenset({200, 206, 304, 406, 412, 416})
CLOSED = frozenset({0})
"""The connection is closed without a word, or no answer came where one may not come."""
WAITING = -1
"""The server may wait for more, because what was sent is less than it says."""
TAKES = "/v1/takes"
FORM = "Content-Type: multipart/form-data; boundary=x"
JSON = "Content-Type: application/json"
PART = b'--x\r\nContent-Disposition: form-data; name="file"; filename="a.wav"\r\n\r\n'
SMUGGLED = b"GET /v1/smuggled HTTP/1.1\r\nHost: localhost\r\n\r\n"
"""Stands where it must never be taken for a request."""
NEXT = b"GET /v1/next HTTP/1.1\r\nHost: localhost\r\n\r\n"
"""Stands where another request may stand."""


@dataclass(frozen=True)
class Shot:
    """One request, and the statuses with which it may be answered (0: the connection is only closed)."""

    name: str
    request: bytes
    may: frozenset[int]
    closes: bool = False
    """Whether no more bytes of the connection may be taken for a request."""


def shots(key: str, take: str) -> Iterator[Shot]:
    """All of them.

    Parameters
    ----------
    key : with which one may write
    take : id of a take with a recording
    """
    yield from _multipart(key)
    yield from _framing(key)
    yield from _heads(key, take)
    yield from _documents(key)


def request(
    key: str,
    line: str,
    *fields: str | bytes,
    body: bytes | None = None,
    length: str | None = None,
    host: str = "localhost",
) -> bytes:
    """A request as bytes.

    Parameters
    ----------
    line : method and target, and the version where it is not HTTP/1.1
    length : of the body, as it is said; None: as it is
    """
    written = line if line.count(" ") > 1 else f"{line} HTTP/1.1"
    said = [written, f"Host: {host}", f"Authorization: Bearer {key}"]
    if body is not None and length != "":
        said.append(f"Content-Length: {len(body) if length is None else length}")
    lines = [
        *(each.encode() for each in said),
        *(each if isinstance(each, bytes) else each.encode() for each in fields),
    ]
    return b"\r\n".join([*lines, b"", b""]) + (body or b"")


def _multipart(key: str) -> Iterator[Shot]:
    def post(name: str, body: bytes, *fields: str, kind: str = FORM, may: frozenset[int] = REFUSED) -> Shot:
        return Shot(f"multipart: {name}", request(key, f"POST {TAKES}", kind, *fields, body=body), may)

    part = b'--x\r\nContent-Disposition: form-data; name="%d"\r\n\r\n1\r\n'
    yield post("thousands of parts", b"".join(part % number for number in range(20_000)) + b"--x--\r\n")
    yield post(
        "thousands of descriptions", b'--x\r\nContent-Disposition: form-data; name="about"\r\n\r\n{}\r\n' * 20_000
    )
    yield post("endless headers of a part", b"--x\r\n" + b"X-Endless: y\r\n" * 40_000)
    yield post("one endless header of a part", b"--x\r\nX-Endless: " + b"y" * 1_000_000)
    yield post("endless preamble", b"y" * 1_000_000 + PART)
    yield post("endless epilogue", PART + b"\r\n--x--\r\n" + b"y" * 1_000_000)
    yield post("only boundaries", b"--x\r\n" * 100_000)
    yield post("lines that begin like a boundary", PART + b"\r\n--" * 200_000)
    yield post("line ends only", PART + b"\r\n" * 300_000)
    yield post("parts within parts", b"--x\r\nContent-Type: multipart/mixed; boundary=y\r\n\r\n" + b"--y\r\n" * 10_000)
    yield post("a boundary of line ends", PART, kind='Content-Type: multipart/form-data; boundary="a\\\r\n b"')
    yield post(
        "a boundary of 10,000 characters", PART, kind=f"Content-Type: multipart/form-data; boundary={'x' * 8_000}"
    )
    yield post("no boundary", PART, kind="Content-Type: multipart/form-data")
    yield post("two boundaries", PART, kind="Content-Type: multipart/form-data; boundary=y; boundary=x")
    huge = b'--x\r\nContent-Disposition: form-data; name="%s"\r\n\r\n1\r\n--x--\r\n'
    yield post("a huge field name", huge % (b"n" * 60_000))
    yield post("a huge file name", huge % (b'file"; filename="' + b"n" * 60_000))
    yield post("a field name that is not UTF-8", huge % b"\xff\xfe")
    yield post("packed", gzip.compress(PART + b"\0" * 1_000_000 + b"\r\n--x--\r\n"), "Content-Encoding: gzip")
    yield post(
        "a part that says it is packed",
        PART.replace(b"\r\n\r\n", b"\r\nContent-Encoding: gzip\r\n\r\n") + b"\r\n--x--\r\n",
    )
    yield post("ten thousand parameters", PART, kind="Content-Type: multipart/form-data" + "; a=b" * 1_500)


def _framing(key: str) -> Iterator[Shot]:
    def post(
        name: str,
        *fields: str | bytes,
        body: bytes,
        length: str | None = None,
        closes: bool = True,
        more: frozenset[int] = frozenset(),
    ) -> Shot:
        made = request(key, "POST /v1/pickups", JSON, *fields, body=body, length=length)
        return Shot(f"framing: {name}", made, REFUSED | CLOSED | more, closes)

    chunk = b"2\r\n{}\r\n0\r\n\r\n"
    yield post("a length that is too short", body=b"{}" + NEXT, length="1", closes=False)
    yield post("a negative length", body=b"{}", length="-1")
    yield post("a length with a sign", body=b"{}", length="+2")
    yield post("a length in hexadecimal", body=b"{}", length="0x2")
    yield post("a length with a point", body=b"{}", length="2.0")
    yield post("a length with an underscore", body=b"0123456789" + SMUGGLED, length="1_0")
    yield post("a length in other digits", "Content-Length: \u0662".encode(), body=b"{}", length="")
    yield post("a list of lengths", body=b"{}" + SMUGGLED, length="2, 2")
    yield post("two lengths", "Content-Length: 2", body=b"{}" + SMUGGLED, length="60")
    yield post("the same length twice", "Content-Length: 2", body=b"{}", length="2")
    yield post("an empty length", "Content-Length:", body=b"{}" + SMUGGLED, length="")
    yield post("chunked and a length", "Transfer-Encoding: chunked", body=b"0\r\n\r\n" + SMUGGLED)
    yield post("a length and chunked", "Transfer-Encoding: chunked", body=chunk + SMUGGLED, length="4")
    yield post("chunked in another case", "Transfer-Encoding: chUNKed", body=chunk + SMUGGLED, length="4")
    yield post("chunked with a tab before", "Transfer-Encoding:\tchunked", body=chunk + SMUGGLED, length="4")
    yield post(
        "chunked with a space before the colon", "Transfer-Encoding : chunked", body=chunk + SMUGGLED, length="4"
    )
    yield post("chunked on a folded line", "Transfer-Encoding:\r\n chunked", body=chunk + SMUGGLED, length="4")
    yield post("chunked with a vertical tab", b"Transfer-Encoding: \x0bchunked", body=chunk + SMUGGLED, length="4")
    yield post(
        "chunked twice", "Transfer-Encoding: chunked", "Transfer-Encoding: chunked", body=chunk + SMUGGLED, length=""
    )
    yield post("identity", "Transfer-Encoding: identity", body=b"{}" + SMUGGLED, length="2")
    yield post("chunked, not last", "Transfer-Encoding: chunked, identity", body=chunk + SMUGGLED, length="")
    yield post("no coding that is known", "Transfer-Encoding: xchunked", body=chunk + SMUGGLED, length="")
    yield post("a header under another name", "Transfer_Encoding: chunked", body=chunk + NEXT, length="1", closes=False)
    chunked = "Transfer-Encoding: chunked"
    for name, body in {
        "no number": b"zz\r\n{}\r\n0\r\n\r\n",
        "a negative size": b"-2\r\n{}\r\n0\r\n\r\n",
        "a size of thousands of digits": b"f" * 900 + b"\r\n{}",
        "a size in 0x": b"0x2\r\n{}\r\n0\r\n\r\n",
        "a size with an underscore": b"0_2\r\n{}\r\n0\r\n\r\n",
        "a size that is too small": b"1\r\n{}\r\n0\r\n\r\n",
        "no line end after it": b"2\r\n{}0\r\n\r\n",
        "a bare line feed": b"2\n{}\n0\n\n",
        "an endless extension": b"2;" + b"y" * 300_000 + b"\r\n{}\r\n0\r\n\r\n",
        "endless trailers": b"2\r\n{}\r\n0\r\n" + b"X-Trailer: y\r\n" * 30_000 + b"\r\n",
        "line ends only": b"\r\n" * 300_000 + b"x",
    }.items():
        yield post(f"chunked, {name}", chunked, body=body + SMUGGLED, length="", more=frozenset({WAITING}))
    yield post(
        "chunked, a byte at a time", chunked, body=b"1\r\n \r\n" * 100_000 + b"0\r\n\r\n", length="", closes=False
    )


def _heads(key: str, take: str) -> Iterator[Shot]:
    def get(
        name: str, *fields: str | bytes, path: str = TAKES, may: frozenset[int] = REFUSED | READ, **more: str
    ) -> Shot:
        return Shot(f"head: {name}", request(key, f"GET {path}", *fields, **more), may | CLOSED)

    yield get("64 KiB", "X-Large: " + "y" * 65_536)
    yield get("1,000 headers", *(f"X-{number}: y" for number in range(1_000)))
    yield get("300 KiB", *("X-Large: " + "y" * 1_000 for _ in range(300)), may=REFUSED)
    yield get("bytes that are no text", b"X-Bytes: \x80\xff\xfe\xc0")
    yield get("NUL", b"X-Nul: a\x00b")
    yield get("NUL in a name", b"X-N\x00: a")
    yield get("a bare line end", b"X-Bare: a\nX-Injected: b")
    yield get("a bare carriage return", b"X-Bare: a\rX-Injected: b")
    yield get("no colon", b"nothing at all")
    yield get("a space before the first header", b" X-Folded: y", may=REFUSED | {401})
    for value in ("a\\r\\nX-Injected: b", "%0d%0aX-Injected:%20b", "é\u2028X-Injected: b", "y" * 5_000, "<script>"):
        yield get(f"X-Request-Id {value[:10]!a}", f"X-Request-Id: {value}")
        yield Shot(
            f"head: Idempotency-Key {value[:10]!a}",
            request(key, f"POST {TAKES}", FORM, f"Idempotency-Key: {value}", body=PART + b"\r\n--x--\r\n"),
            REFUSED | CLOSED,
        )
    audio = f"{TAKES}/{take}/audio"
    many = ",".join(f"{at}-{at}" for at in range(1_500))
    for value in (
        f"bytes={many}", "bytes=0-" + ",0-" * 2_000, "bytes=-0", "bytes=--1", "bytes=5-1", f"bytes={'9' * 4_000}-",
        f"bytes=0-{'9' * 18}", f"bytes=-{'9' * 18}", "bytes=\u0661-\u0662", "lines=1-2", "bytes=1-2-3", "bytes=",
    ):  # fmt: skip
        yield get(f"Range {value[:20]!a}", f"Range: {value}", path=audio)
    yield get("If-Range with many ranges", f"Range: bytes={many}", 'If-Range: "x"', path=audio)
    accept = ",".join(f"text/x{number};q=0.{number % 10}" for number in range(400))
    for path in (TAKES, "/v1/table", "/", audio):
        yield get(f"Accept with many entries, {path}", f"Accept: {accept}", path=path)
        yield get(f"Accept with odd weights, {path}", "Accept: */*;q=nan, text/html;q=1e400, a/b;q=-1, /;q=", path=path)
    for value in ("wait=" + "9" * 4_000, "wait=-1", "wait=nan", "wait=" + '"' * 1_000, "wait=0," * 1_000, ";" * 5_000):
        yield get(f"Prefer {value[:12]!a}", f"Prefer: {value}", path=f"{TAKES}/{take}")
    for name in ("If-None-Match", "If-Match", "If-Modified-Since", "If-Unmodified-Since", "If-Range"):
        tags = ",".join(f'"{number}"' for number in range(1_000))
        for value in (tags, '"' * 5_000, "W/" * 2_500, "Thu, 99 Foo 99999 99:99:99 GMT", "*, *"):
            yield get(f"{name} {value[:12]!a}", f"{name}: {value}", path=f"{TAKES}/{take}")
    for host in (
        "",
        "localhost:99999999",
        "[::1",
        "localhost/evil",
        "evil.example@localhost",
        "a" * 5_000,
        "localhost:-1",
        "localhost, x",
    ):
        yield get(f"Host {host[:12]!a}", host=host)
    yield get("two Hosts", "Host: evil.example")
    yield get("an address of 64 KiB", path="/" + "a" * 65_536)
    yield get("a question of 64 KiB", path=f"{TAKES}?q=" + "a" * 65_536)
    yield get("10,000 parameters", path=f"{TAKES}?" + "&".join(f"a{number}=" for number in range(1_000)))
    for path in (
        "/%00", "/%", "/%zz", "/%ff%fe", f"{TAKES}/%2e%2e%2f%2e%2e%2fetc%2fpasswd", "/static/..%2f..%2fapp.py",
        f"{TAKES}/{'%2f' * 500}", "/%25%30%30", f"{TAKES}?cursor=%ff", f"{TAKES}?limit=%00", "/\\evil",
        "//evil.example/",
        "/v1/pickups/%0d%0aX-Injected:%20b", "/v1/sessions/%f0%9f%8e%b8/report", "*", "http://evil.example/healthz",
    ):  # fmt: skip
        yield get(f"address {path[:30]}", path=path, may=REFUSED | READ | frozenset({303, 308}))
    for method in ("TRACE", "TRACK", "CONNECT", "DEBUG", "PROPFIND", "get", "G" * 5_000, "GE\tT", "\u00c9"):
        yield Shot(f"head: method {method[:10]!a}", request(key, f"{method} {TAKES}"), REFUSED | CLOSED)
    yield Shot("head: HTTP/0.9", b"GET /healthz\r\n\r\n", REFUSED | CLOSED | READ)
    for version in ("HTTP/9.9", "HTTP/1.1.1", "HTTP/11", "HTTP/-1.0", "FTP/1.1", "HTTP/2.0"):
        yield Shot(f"head: {version}", request(key, f"GET {TAKES} {version}"), REFUSED | CLOSED | READ)
    yield Shot(
        "head: another protocol", b"\x16\x03\x01\x02\x00\x01\x00\x01\xfc\x03\x03" + b"\x00" * 200, REFUSED | {WAITING}
    )
    yield Shot("head: the preface of HTTP/2", b"PRI * HTTP/2.0\r\n\r\nSM\r\n\r\n", REFUSED | CLOSED)
    yield get("an upgrade", "Connection: Upgrade, HTTP2-Settings", "Upgrade: h2c", "HTTP2-Settings: AAMAAABkAAQAAP__")
    yield Shot(
        "head: Expect", request(key, f"POST {TAKES}", FORM, "Expect: 200-maybe", body=b"--x--\r\n"), REFUSED | CLOSED
    )


def _documents(key: str) -> Iterator[Shot]:
    def post(name: str, body: bytes, may: frozenset[int] = REFUSED) -> Iterator[Shot]:
        yield Shot(f"JSON: {name}", request(key, "POST /v1/pickups", JSON, body=body), may | CLOSED)
        about = (
            b'--x\r\nContent-Disposition: form-data; name="about"\r\n\r\n'
            + body
            + b"\r\n"
            + PART
            + b"RIFF\r\n--x--\r\n"
        )
        yield Shot(f"JSON: {name}, as a description", request(key, f"POST {TAKES}", FORM, body=about), may | CLOSED)

    yield from post("nested 100,000 deep in lists", b'{"key": ' + b"[" * 100_000)
    yield from post("nested 100,000 deep and whole", b'{"key": ' + b"[" * 100_000 + b"]" * 100_000 + b"}")
    yield from post("nested 100,000 deep in objects", b'{"a":' * 100_000 + b"1" + b"}" * 100_000)
    yield from post("a million digits", b'{"key": ' + b"9" * 1_000_000 + b"}")
    yield from post("a million digits after the point", b'{"key": 0.' + b"9" * 1_000_000 + b"}")
    yield from post("a name twice", b'{"key": "a", "key": "b"}')
    yield from post("100,000 names", b"{" + b",".join(b'"k%d":1' % at for at in range(80_000)) + b"}")
    yield from post("a huge exponent", b'{"key": 1e999999999}')
    yield from post("a small exponent", b'{"key": 1e-999999999}')
    yield from post("half of a pair", b'{"key": "\\ud800"}')
    yield from post("half of a pair as a name", b'{"\\udfff": 1}')
    yield from post("NUL", b'{"key": "a\\u0000b"}')
    yield from post("NaN", b'{"key": NaN}')
    yield from post("not UTF-8", b'{"key": "\xff"}')
    yield from post("UTF-16", '{"key": "a"}'.encode("utf-16"))
    yield from post("10 MB", b'{"key": "' + b"a" * 10_000_000 + b'"}')
    yield from post("a line end in a key", b'{"key": "a\\r\\nX-Injected: b"}')
    yield from post("a list", b"[]")
    yield from post("nothing", b"")
