"""What each key may: so many requests in a minute, so many bytes of recordings in a day; and who guesses keys waits.

Where no key is needed nothing is limited. `/healthz` never is.
"""

from __future__ import annotations

import hashlib
import ipaddress
import threading
from collections import OrderedDict
from collections.abc import Iterable

from flask import Response, g, request

from coilbench_service import problem_kinds as kinds
from coilbench_service import upload
from coilbench_service.problems import Problem
from coilbench_service.rate import Policy, Rates, Standing
from coilbench_worker.configuration import Configuration

FAILURES = Policy("failures", 20, "requests")
"""Keys that were no good, by client address."""
MOST_REMEMBERED = 4096
HEALTH = "health.healthz"


class Allowance:
    """The limits of one app.

    Parameters
    ----------
    uploads : endpoints that take recordings by POST
    sign_in : endpoint to which a key is posted in a form
    needed : whether the service wants keys at all
    """

    def __init__(self, configuration: Configuration, uploads: Iterable[str], sign_in: str, *, needed: bool) -> None:
        self._configuration = configuration
        self._needed = needed
        self._uploads = frozenset(uploads)
        self._sign_in = sign_in
        self._rates = Rates(configuration.broker)
        self._good = _Remembered()

    def require_few_failures(self) -> None:
        """Turn away who shows a key after too many bad ones; to be asked before a key is looked at.

        Raises
        ------
        Problem : too-many-requests (429)
        """
        shown = self._shown()
        if shown is None or self._good.has(shown):
            return
        standing = self._rates.look(FAILURES, client_network(request.remote_addr))
        if standing.remaining == 0:
            raise Problem(
                kinds.TOO_MANY_REQUESTS,
                f"{FAILURES.amount} keys that are no good came from this address within a minute; "
                f"keys from there are looked at again in {standing.reset_s} s.",
                headers={"Retry-After": str(standing.reset_s)},
            )

    def _count_failure(self, response: Response) -> None:
        shown = self._shown()
        if shown is None:
            return
        if response.status_code == 401:
            self._good.forget(shown)
            self._rates.hit(FAILURES, client_network(request.remote_addr))
        elif _key_id() is not None:
            self._good.add(shown)

    def _shown(self) -> bytes | None:
        """Hash of the key that the request shows, whatever it is worth; empty of one in a form; None: it shows none."""
        if not self._needed:
            return None
        if request.endpoint == self._sign_in:
            return b"" if request.method == "POST" else None
        sent = request.headers.get("Authorization")
        return None if sent is None else hashlib.sha256(sent.encode()).digest()

    def admit(self) -> None:
        """Count what somebody with a key asks; to be asked once `g.asker` is known.

        Raises
        ------
        Problem : too-many-requests, upload-quota-used (429)
        """
        key_id = _key_id()
        if key_id is None or request.endpoint == HEALTH:
            return
        requests = self._rates.hit(self._requests(), key_id)
        g.standings = [requests]
        if not requests.allowed:
            raise Problem(
                kinds.TOO_MANY_REQUESTS,
                f"This key may make {requests.policy.amount} requests in a minute; they are used up.",
                headers={"Retry-After": str(requests.reset_s)},
            )
        if self._is_upload():
            quota = self._rates.look(self._bytes(), key_id)
            g.standings.append(quota)
            self._require_quota(quota)

    def _require_quota(self, quota: Standing) -> None:
        """Refuse before the recording is read. What is not the recording itself is not held against it."""
        coming = max(0, (request.content_length or 0) - upload.ENVELOPE_BYTES)
        if quota.remaining == 0 or coming > quota.remaining:
            raise Problem(
                kinds.UPLOAD_QUOTA_USED,
                f"This key may send {quota.policy.amount} bytes of recordings in a day; {quota.remaining} are left, "
                f"and all again in {_span(quota.reset_s)}.",
                headers={"Retry-After": str(quota.reset_s)},
            )

    def tell(self, response: Response) -> Response:
        """Say in an answer how the key stands; counts the recording that was kept, or the key that was no good."""
        self._count_failure(response)
        standings: list[Standing] = g.get("standings", [])
        key_id, received = _key_id(), g.get("recording_bytes", 0)  # set by what keeps a recording
        if key_id is not None and received and response.status_code < 300:
            standings = [*standings[:1], self._rates.spend(self._bytes(), key_id, received)]
        if standings:
            response.headers["RateLimit-Policy"] = ", ".join(map(_policy, standings))
            response.headers["RateLimit"] = ", ".join(map(_left, standings))
        return response

    def _is_upload(self) -> bool:
        return request.endpoint in self._uploads and request.method == "POST"

    def _requests(self) -> Policy:
        amount = g.asker.requests_per_minute or self._configuration.requests_per_minute
        return Policy("requests", amount, "requests")

    def _bytes(self) -> Policy:
        amount = g.asker.upload_bytes_per_day or self._configuration.upload_bytes_per_day
        return Policy("recordings", amount, "content-bytes")


def client_network(address: str | None) -> str:
    """Whom failures are held against: an IPv4 address, or the 64 bits of an IPv6 one that a site has to itself."""
    try:
        parsed = ipaddress.ip_address((address or "").partition("%")[0])
    except ValueError:
        return "unknown"
    if parsed.version == 4:
        return str(parsed)
    if parsed.ipv4_mapped is not None:
        return str(parsed.ipv4_mapped)
    return str(ipaddress.ip_network((parsed, 64), strict=False))


class _Remembered:
    """Keys that were good here lately, as hashes: who shares an address with a guesser goes on undisturbed."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._hashes: OrderedDict[bytes, None] = OrderedDict()

    def has(self, shown: bytes) -> bool:
        with self._lock:
            return shown in self._hashes

    def add(self, shown: bytes) -> None:
        with self._lock:
            self._hashes[shown] = None
            self._hashes.move_to_end(shown)
            while len(self._hashes) > MOST_REMEMBERED:
                self._hashes.popitem(last=False)

    def forget(self, shown: bytes) -> None:
        with self._lock:
            self._hashes.pop(shown, None)


def _key_id() -> str | None:
    asker = g.get("asker")
    return None if asker is None else asker.key_id


def _span(seconds: int) -> str:
    return f"{seconds} s" if seconds < 3600 else f"{seconds / 3600:.1f} h"


def _policy(standing: Standing) -> str:
    """One item of `RateLimit-Policy` (draft-ietf-httpapi-ratelimit-headers)."""
    policy = standing.policy
    unit = "" if policy.unit == "requests" else f';qu="{policy.unit}"'
    return f'"{policy.name}";q={policy.amount}{unit};w={policy.window_s}'


def _left(standing: Standing) -> str:
    """One item of `RateLimit` (the same draft)."""
    return f'"{standing.policy.name}";r={standing.remaining};t={standing.reset_s}'
