"""Who may ask for what: looked at before every request, and with every request anew.

A service that listens on this machine only is open to whoever is on it, unless COILBENCH_KEYS says always or proxies
stand before it. Every other one wants `Authorization: Bearer KEY` (RFC 6750) for all but a few addresses. A key is
never taken from an address, which ends up in logs and histories.

What a route needs follows from its method; what does not is in the tables here. So a route that nobody thought of
needs a key.
"""

from __future__ import annotations

from collections.abc import Mapping

import structlog
from flask import Flask, Request, g, request
from sqlalchemy import Connection
from sqlalchemy.exc import OperationalError

from coilbench_service import access_key, asker, hosts, sign_in
from coilbench_service import problem_kinds as kinds
from coilbench_service.asker import ADMIN, READ, THIS_MACHINE, WRITE, Asker
from coilbench_service.bench import Bench
from coilbench_service.problem_kinds import ProblemKind
from coilbench_service.problems import Problem
from coilbench_worker.configuration import Configuration
from coilbench_worker.store import keys
from coilbench_worker.store.instants import now
from coilbench_worker.store.keys import KeyRecord

REALM = "coilbench"
PAGES = ("page.static", "page.sign_in", "page.sign_out")
OPEN = frozenset({"health.healthz", "problems.list_problems", "problems.read_problem", *PAGES})
"""Endpoints that answer without a key: nothing of anybody's recordings is in them."""
QUESTIONS = frozenset(
    {
        "comparisons.compare_with_baseline",
        "choices.choose_by_wish",
        "coils.model_coil",
        "studies.study_hand",
        "groupings.compare_groups",
        "groupings.hold_specifications",
    }
)
"""Endpoints asked with POST, because the question is long; they change nothing."""
ADMINISTRATION = frozenset({"keys"})
"""Blueprints of which every endpoint is for those who look after the service."""
CORRESPONDENCE = frozenset({"callbacks"})
"""Blueprints that have the service speak to others: to change anything there is for those who look after it."""
READING = ("GET", "HEAD", "OPTIONS")
PROXY_HEADERS = (
    "Forwarded",
    "Via",
    "X-Forwarded-For",
    "X-Forwarded-Host",
    "X-Forwarded-Proto",
    "X-Real-IP",
)
"""What proxies add to a request that they pass on."""
_log = structlog.get_logger(__name__)


def keys_needed(configuration: Configuration) -> bool:
    """Whether requests need a key."""
    elsewhere = not hosts.is_loopback(configuration.host) or configuration.trusted_proxies > 0
    return configuration.keys == "always" or elsewhere


def scope_of(endpoint: str | None, method: str) -> str | None:
    """The scope that a request needs; None when it needs no key at all.

    Parameters
    ----------
    endpoint : None where no route takes the request, which is for those with a key to learn
    """
    if endpoint in OPEN:
        return None
    if endpoint is not None and endpoint.partition(".")[0] in ADMINISTRATION:
        return ADMIN
    if endpoint is not None and endpoint.partition(".")[0] in CORRESPONDENCE:
        return WRITE if method in READING else ADMIN
    return READ if endpoint is None or method in READING or endpoint in QUESTIONS else WRITE


def say_when_nobody_can_ask(bench: Bench) -> None:
    """Say in the log how to make the first key, where keys are needed and none is good."""
    if not keys_needed(bench.configuration):
        return
    with bench.database.read() as connection:
        nobody = not keys.good(connection)
    if nobody:
        _log.warning("nobody can ask yet: make a key with `coilbench-server key make NAME --scope admin`")


def by_sign_in(connection: Connection, call: Request) -> KeyRecord | None:
    """The key with which the browser that asks has signed in; None when it has not."""
    return sign_in.key_of(connection, call)


class Admission:
    """Lets requests in, or not.

    Parameters
    ----------
    bench : its database has the keys
    """

    def __init__(self, bench: Bench) -> None:
        self._bench = bench
        configuration = bench.configuration
        self.needed = keys_needed(configuration)
        self._nobody = Asker(
            None, "nobody", frozenset(), configuration.requests_per_minute, configuration.upload_bytes_per_day
        )

    def register(self, app: Flask) -> None:
        """Forget who asked once a request is over; `admit` is for the app to call in its place."""
        app.teardown_request(_forget)

    def admit(self, call: Request = request) -> None:
        """Find out who asks, and leave it in `g.asker`.

        Raises
        ------
        Problem : key-missing, key-unknown (401), scope-missing, behind-a-proxy (403)
        """
        scope = scope_of(call.endpoint, call.method)
        if scope is None:
            g.asker = self._nobody if self.needed else THIS_MACHINE
            return
        if not self.needed:
            _require_no_proxy(call)
            g.asker = THIS_MACHINE
            return
        g.asker = self._asker(self._key(call))
        structlog.contextvars.bind_contextvars(key=g.asker.key_id)
        if scope not in g.asker.scopes:
            raise _scope_missing(scope, g.asker)

    def _key(self, call: Request) -> KeyRecord:
        """The key of the request, good at this moment; its use is noted."""
        sent = call.headers.get("Authorization")
        instant = now()
        with self._bench.database.read() as connection:
            if sent is not None:
                record = _by_header(connection, sent)
            else:
                signed_in = by_sign_in(connection, call)
                if signed_in is None:
                    raise _refusal(kinds.KEY_MISSING, f"{call.method} {call.path:.200} came without an access key.")
                record = signed_in
        if not record.good(instant):
            raise _refusal(kinds.KEY_UNKNOWN, _ended(record), "invalid_token")
        if not keys.used(record, instant):
            self._note_use(record)
        return record

    def _note_use(self, record: KeyRecord) -> None:
        try:
            with self._bench.database.write() as connection:
                keys.touch(connection, record.id, now())
        except OperationalError as error:  # a database that can be read is enough for those who read
            _log.warning("use of a key not noted", key=record.id, error=str(error.orig).splitlines()[:1])

    def _asker(self, record: KeyRecord) -> Asker:
        usual = self._bench.configuration
        return Asker(
            record.id,
            record.name,
            asker.with_included(record.scopes),
            usual.requests_per_minute if record.requests_per_minute is None else record.requests_per_minute,
            usual.upload_bytes_per_day if record.upload_bytes_per_day is None else record.upload_bytes_per_day,
        )


def _by_header(connection: Connection, sent: str) -> KeyRecord:
    """The key that `Authorization` holds, whose secret is right; it may have ended."""
    scheme, _, text = sent.strip().partition(" ")
    if scheme.lower() != "bearer":
        raise _refusal(kinds.KEY_MISSING, "Authorization holds something else than Bearer and an access key.")
    key = access_key.parse(text.strip())
    if key is None:
        detail = f"What was sent is no whole access key, which begins with {access_key.PREFIX}_ and has 65 characters."
        raise _refusal(kinds.KEY_UNKNOWN, detail, "invalid_token")
    record = keys.get(connection, key.id)
    right = access_key.same(key.secret, record.secret_sha256 if record is not None else None)
    if record is None or not right:
        raise _refusal(kinds.KEY_UNKNOWN, "There is no such access key.", "invalid_token")
    return record


def _ended(record: KeyRecord) -> str:
    moment, what = (record.revoked, "revoked") if record.revoked is not None else (record.expires, "expired")
    return f"The access key {record.id} {'was ' if what == 'revoked' else ''}{what} {moment:%Y-%m-%d %H:%M} UTC."


def _refusal(kind: ProblemKind, detail: str, error: str | None = None) -> Problem:
    return Problem(kind, detail, headers=_challenge({"error": error} if error else {}))


def _scope_missing(scope: str, who: Asker) -> Problem:
    has = ", ".join(sorted(who.scopes)) or "no scope"
    return Problem(
        kinds.SCOPE_MISSING,
        f"This needs a key with the scope {scope}; the key {who.key_id} has {has}.",
        headers=_challenge({"error": "insufficient_scope", "scope": scope}),
        extensions={"scope": scope},
    )


def _challenge(parameters: Mapping[str, str]) -> dict[str, str]:
    """`WWW-Authenticate` as RFC 6750 section 3 has it; no error where no key was sent."""
    written = ", ".join(f'{name}="{value}"' for name, value in {"realm": REALM, **parameters}.items())
    return {"WWW-Authenticate": f"Bearer {written}"}


def _require_no_proxy(call: Request) -> None:
    found = [name for name in PROXY_HEADERS if name in call.headers]
    if found:
        raise Problem(
            kinds.BEHIND_A_PROXY,
            f"The request has {' and '.join(found)}, so a proxy passed it on: others than this machine can reach the "
            "service, which asks for no keys.",
        )


def _forget(_: BaseException | None) -> None:
    structlog.contextvars.unbind_contextvars("key")
