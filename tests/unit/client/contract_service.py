"""A small service that speaks the contract, and fails when told to: what the client is tested against.

It measures nothing: a take is measured once it has been looked at often enough, with figures made from its bytes.
"""

from __future__ import annotations

import hashlib
import json
import tempfile
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any
from urllib.parse import parse_qs, urlencode, urlsplit

from requests_toolbelt.multipart.decoder import MultipartDecoder

from coilbench.table import Table, columns_of
from coilbench.table_served import SERVED

KNOWN_FIELDS = {
    "label",
    "session",
    "pickup",
    "position",
    "input_gain_db",
    "expected_strums",
    "channel",
    "tags",
    "notes",
}


@dataclass
class Fault:
    """What to do instead of answering, once: a status with headers, or a connection lost before or after the work, or
    within the body.
    """

    method: str
    path: str
    status: int = 0
    headers: dict[str, str] = field(default_factory=dict)
    body: bytes = b""
    lose: str = ""


@dataclass
class Seen:
    """A request as it came."""

    method: str
    path: str
    query: dict[str, list[str]]
    headers: dict[str, str]
    body: bytes


class ContractService:
    """The state of the service; `url` is where it listens."""

    def __init__(self) -> None:
        self.takes: dict[str, dict[str, Any]] = {}
        self.remembered: dict[str, tuple[str, dict[str, Any]]] = {}
        self.looks_until_measured = 1
        self.page_size = 500
        self.faults: list[Fault] = []
        self.answers: dict[tuple[str, str], Any] = {}
        self.seen: list[Seen] = []
        self.url = ""
        self._numbers = iter(range(1, 10_000))

    def fail(
        self, method: str, path: str, status: int = 0, *, lose: str = "", body: Any = None, **headers: str
    ) -> None:
        """Fail the next request that fits, once."""
        raw = body if isinstance(body, bytes) else json.dumps(body).encode() if body is not None else b""
        names = {name.replace("_", "-"): value for name, value in headers.items()}
        self.faults.append(Fault(method, path, status, names, raw, lose))

    def requests(self, method: str, path: str = "") -> list[Seen]:
        """The requests that came so far. What `answers` holds by method and path is answered as it stands there."""
        return [seen for seen in self.seen if seen.method == method and seen.path.startswith(path)]

    def posted(self) -> list[Seen]:
        """The recordings that came so far, repeated ones each time."""
        return [seen for seen in self.requests("POST") if seen.path == "/v1/takes"]

    def add(self, content: bytes, name: str, about: dict[str, Any], state: str = "waiting") -> dict[str, Any]:
        """Have a take."""
        number = next(self._numbers)
        known = {key: value for key, value in about.items() if key in KNOWN_FIELDS}
        extra = {**about.get("extra", {}), **{k: v for k, v in about.items() if k not in KNOWN_FIELDS | {"extra"}}}
        take = {
            "id": f"t{number}",
            "state": state,
            "created": f"2030-05-17T10:00:{number % 60:02d}Z",
            "file": {"name": name, "bytes": len(content), "sha256": hashlib.sha256(content).hexdigest()},
            "about": {**known, **({"extra": extra} if extra else {})},
            "problem": None,
            "links": {"self": f"/v1/takes/t{number}"},
            "looks": 0,
        }
        self.takes[take["id"]] = take
        return take

    def reject(self, take: dict[str, Any]) -> None:
        """Make a take one that could not be measured."""
        take["state"] = "rejected"
        take["problem"] = {
            "type": "/problems/no-strums",
            "title": "No strum was found",
            "detail": "The loudest moment is at -71 dBFS",
            "advice": "Check the cable and record again.",
        }

    def row(self, take: dict[str, Any], per: str) -> dict[str, Any]:
        """A row of the table."""
        level = -20.0 - int(take["file"]["sha256"][:2], 16) / 64
        row = {"take": take["id"], "file": take["file"]["name"], "label": take["about"].get("label")}
        row |= {"pickup": take["about"].get("pickup"), "usable": True, "checks": take.get("checks")}
        if per == "strum":
            return {**row, "strum": 1, "onset_s": 0.5, "rms_dbfs": level}
        if take["state"] != "measured":
            return {**row, "state": take["state"], "usable": None}
        return {
            **row,
            "state": "measured",
            "strums": 4,
            "rms_dbfs": level,
            "rms_dbfs_low": level - 1,
            "rms_dbfs_high": level + 1,
        }


COLUMNS = {
    "take": [("take", ""), ("file", ""), ("label", ""), ("pickup", ""), ("state", ""), ("usable", ""), ("checks", ""),
             ("strums", ""), ("rms_dbfs", "dBFS"), ("rms_dbfs_low", "dBFS"), ("rms_dbfs_high", "dBFS")],
    "strum": [("take", ""), ("file", ""), ("label", ""), ("pickup", ""), ("usable", ""), ("checks", ""), ("strum", ""),
              ("onset_s", "s"), ("rms_dbfs", "dBFS")],
}  # fmt: skip


class _Handler(BaseHTTPRequestHandler):
    protocol_version = "HTTP/1.1"
    service: ContractService

    def log_message(self, format: str, *args: Any) -> None:
        pass

    def do_GET(self) -> None:
        self._serve()

    def do_POST(self) -> None:
        self._serve()

    def do_PUT(self) -> None:
        self._serve()

    def do_PATCH(self) -> None:
        self._serve()

    def do_DELETE(self) -> None:
        self._serve()

    def _serve(self) -> None:
        service = self.service
        parts = urlsplit(self.path)
        body = self.rfile.read(int(self.headers.get("Content-Length") or 0))
        self.query = parse_qs(parts.query)
        service.seen.append(Seen(self.command, parts.path, self.query, dict(self.headers), body))
        fault = next((f for f in service.faults if f.method == self.command and parts.path.startswith(f.path)), None)
        if fault is not None:
            service.faults.remove(fault)
            if fault.lose != "after":
                if fault.lose:
                    self.close_connection = True
                    if fault.lose == "within":
                        self._answer(200, fault.body, fault.headers, missing=1)
                else:
                    kind = {"Content-Type": "application/problem+json"} if fault.body.startswith(b"{") else {}
                    self._answer(fault.status, fault.body, {**kind, **fault.headers})
                return
        status, document, headers = self._route(parts.path, body)
        if fault is not None:
            self.close_connection = True
            return
        form = self.query.get("format", ["json"])[0]
        if parts.path == "/v1/table" and form in SERVED and status == 200:
            table = Table(document["per"], columns_of(document["columns"]), tuple(document["items"]))
            with tempfile.TemporaryDirectory() as folder:
                content = table.save(Path(folder) / f"table.{form}").read_bytes()
            self._answer(status, content, {"Content-Type": SERVED[form], "Coilbench-Rows": str(len(table))})
            return
        kind = "application/json" if status < 400 else "application/problem+json"
        self._answer(
            status, b"" if document is None else json.dumps(document).encode(), {"Content-Type": kind, **headers}
        )

    def _answer(self, status: int, body: bytes, headers: dict[str, str], missing: int = 0) -> None:
        self.send_response(status)
        for name, value in headers.items():
            self.send_header(name, value)
        if status != 204:
            self.send_header("Content-Length", str(len(body) + missing))
        self.end_headers()
        self.wfile.write(body)

    def _route(self, path: str, body: bytes) -> tuple[int, Any, dict[str, str]]:
        service = self.service
        if (self.command, path) in service.answers:
            document = service.answers[self.command, path]
            return (204 if document is None else 200), document, {}
        if path == "/v1/takes" and self.command == "POST":
            return self._accept(body)
        if path == "/v1/takes":
            return self._page([self._shown(take) for take in service.takes.values() if self._fits(take)])
        if path == "/v1/table":
            per = self.query["per"][0]
            takes = [t for t in service.takes.values() if self._fits(t) and (per == "take" or t["state"] == "measured")]
            status, page, headers = self._page([service.row(take, per) for take in takes])
            page |= {
                "per": per,
                "columns": [{"key": k, "title": k.title(), "unit": u or None} for k, u in COLUMNS[per]],
            }
            return status, page, headers
        if path == "/v1/quantities":
            return self._page(
                [{"key": "rms_dbfs", "name": "Level", "unit": "dBFS", "of": "strum", "parts": [], "decimals": 2}]
            )
        if path == "/v1/checks":
            kind = {
                "code": "clipped",
                "severities": ["caution"],
                "title": "Clipped",
                "meaning": "m",
                "advice": "Turn down.",
            }
            return self._page([kind])
        id, _, rest = path.removeprefix("/v1/takes/").partition("/")
        take = service.takes.get(id)
        if take is None:
            return 404, {"type": "/problems/take-not-found", "title": "There is no such take", "status": 404}, {}
        return self._one(take, rest, body)

    def _one(self, take: dict[str, Any], rest: str, body: bytes) -> tuple[int, Any, dict[str, str]]:
        if rest == "measurement":
            if self.command == "POST":
                take["state"] = "waiting"
                return 202, self._shown(take), {}
            return 200, _measurement(take), {}
        if self.command == "DELETE":
            del self.service.takes[take["id"]]
            return 204, None, {}
        if self.command == "PATCH":
            for name, value in json.loads(body)["about"].items():
                take["about"].pop(name, None)
                if value is not None:
                    take["about"][name] = value
        elif "Prefer" in self.headers and take["state"] == "waiting":
            take["looks"] += 1
            if take["looks"] >= self.service.looks_until_measured:
                take["state"] = "measured"
        return 200, self._shown(take), {}

    def _accept(self, body: bytes) -> tuple[int, Any, dict[str, str]]:
        parts = {}
        for part in MultipartDecoder(body, self.headers["Content-Type"]).parts:
            disposition = part.headers[b"Content-Disposition"].decode()
            fields = dict(item.split("=", 1) for item in disposition.split("; ")[1:])
            parts[fields["name"].strip('"')] = (fields.get("filename", "").strip('"'), part.content)
        name, content = parts["file"]
        about = json.loads(parts["about"][1])
        key = self.headers.get("Idempotency-Key", "")
        fingerprint = hashlib.sha256(content + parts["about"][1]).hexdigest()
        if key in self.service.remembered:
            before, answer = self.service.remembered[key]
            if before != fingerprint:
                return 422, {"type": "/problems/idempotency-key-reused", "title": "Reused", "status": 422}, {}
            return 202, answer, {}
        answer = self._shown(self.service.add(content, name, about))
        self.service.remembered[key] = (fingerprint, answer)
        return 202, answer, {"Location": answer["links"]["self"]}

    def _fits(self, take: dict[str, Any]) -> bool:
        facts = {"state": take["state"], "sha256": take["file"]["sha256"], "pickup": take["about"].get("pickup")}
        if "since" in self.query and take["created"] < self.query["since"][0]:
            return False
        if "id" in self.query and take["id"] not in self.query["id"]:
            return False
        return all(facts[name] in self.query[name] for name in facts if name in self.query)

    def _page(self, items: list[dict[str, Any]]) -> tuple[int, Any, dict[str, str]]:
        start = int(self.query.get("cursor", ["0"])[0])
        stop = start + self.service.page_size
        following = str(stop) if stop < len(items) else None
        headers = {}
        if following:
            query = urlencode({**self.query, "cursor": [following]}, doseq=True)
            headers["Link"] = f'<http://elsewhere.invalid{urlsplit(self.path).path}?{query}>; rel="next"'
        return 200, {"items": items[start:stop], "next": following}, headers

    @staticmethod
    def _shown(take: dict[str, Any]) -> dict[str, Any]:
        return {name: value for name, value in take.items() if name not in ("looks", "checks")}


def _measurement(take: dict[str, Any]) -> dict[str, Any]:
    codes = [code for code in (take.get("checks") or "").split(", ") if code]
    return {
        "take": take["id"],
        "made": take["created"],
        "version": "1",
        "settings": {},
        "audio": {"sample_rate_hz": 48000},
        "checks": [
            {
                "code": code,
                "severity": "caution",
                "message": f"{code}: 3 runs at full scale",
                "strums": [1],
                "values": {},
            }
            for code in codes
        ],
        "usable": True,
        "noise": {},
        "strums": [
            {
                "number": 1,
                "onset_s": 0.5,
                "end_s": 2.0,
                "ended_by": "next",
                "quantities": {"rms_dbfs": -20.0, "peak_mv": None},
                "octave_db": {"63": -30.0},
                "reasons": {"peak_mv": "the description names no chain"},
            }
        ],
        "summary": {},
        "take_quantities": {},
        "reasons": {"hum_hz": "no mains line stands out"},
        "calibration": None,
    }


@contextmanager
def contract_service() -> Iterator[ContractService]:
    """A service on a free port of this machine."""
    service = ContractService()
    handler = type("Handler", (_Handler,), {"service": service})
    server = ThreadingHTTPServer(("127.0.0.1", 0), handler)
    server.daemon_threads = True
    service.url = f"http://127.0.0.1:{server.server_address[1]}"
    thread = threading.Thread(target=lambda: server.serve_forever(poll_interval=0.02), daemon=True)
    thread.start()
    try:
        yield service
    finally:
        server.shutdown()
        server.server_close()
        thread.join()
