"""HTTP with the service: one session, retries, and every refusal turned into an exception.

A request is sent again after a lost connection, 429, 503, or while its first sending is still being answered; a POST
only when it changes nothing or carries an `Idempotency-Key`, without which a second one could do its work twice.
Redirects are followed for GET only.
"""

from __future__ import annotations

import ipaddress
import json
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from http import HTTPStatus
from typing import Any
from urllib.parse import parse_qsl, urlsplit

import requests

from coilbench.errors import BadAddress, NotReachable, UnreadableAnswer, refused
from coilbench.patience import BEFORE_FIRST_ANSWER, Patience, asked_wait_s
from coilbench.problem import Problem
from coilbench.version import VERSION

CONNECT_TIMEOUT_S = 10.0
COME_BACK_LATER = frozenset({HTTPStatus.TOO_MANY_REQUESTS, HTTPStatus.SERVICE_UNAVAILABLE})
STILL_ANSWERING = "idempotency-key-in-flight"
"""Kind of the 409 that a repeated POST gets while the service works on the first one."""

REPEATABLE = frozenset({"GET", "HEAD", "PUT", "PATCH", "DELETE"})
LONGEST_PROBLEM_TEXT = 300

Query = Sequence[tuple[str, str]]
Body = tuple[Any, str]
"""What `requests` takes as data, and its content type."""


class Transport:
    """A connection to one service.

    Parameters
    ----------
    url : address of the service, without `/v1`
    key : access key, or None
    timeout_s : for one answer to begin, s
    patience : of the retries
    """

    def __init__(self, url: str, key: str | None, *, timeout_s: float, patience: Patience) -> None:
        self.url = _checked(url)
        self.timeout_s = timeout_s
        self.patience = patience
        self._answered = False
        self._session = requests.Session()
        self._session.auth = _Bearer(key)
        self._session.headers["User-Agent"] = f"coilbench/{VERSION}"
        self._session.trust_env = not _on_this_machine(self.url)  # no proxy stands before one's own machine

    def close(self) -> None:
        """Give the connections back."""
        self._session.close()

    def request(
        self,
        method: str,
        path: str,
        *,
        query: Query = (),
        document: Any = None,
        body: Callable[[], Body] | None = None,
        headers: Mapping[str, str] | None = None,
        timeout_s: float | None = None,
        changes_nothing: bool = False,
        stream: bool = False,
    ) -> requests.Response:
        """Ask once, and again where that is safe.

        Parameters
        ----------
        method, path : path begins with `/`
        query : parameters of the address
        document : JSON to send, or None
        body : makes the body anew for every try, or None
        headers : further ones
        timeout_s : for this answer to begin, s; the transport's own by default
        changes_nothing : a POST that only asks, and may be sent again
        stream : leave the body to be read, or closed, by the caller

        Returns
        -------
        requests.Response : status below 300

        Raises
        ------
        BadAddress : a part of the path is empty, . or ..; another address would be asked
        NotReachable : no answer, all tries used up
        Refused : status of 300 and above
        """
        _require_whole(path)
        sent_headers = {"Accept": "application/json", **(headers or {})}
        repeatable = changes_nothing or method in REPEATABLE or "Idempotency-Key" in sent_headers
        retry = 0
        while True:
            try:
                answer = self._once(
                    method, path, query, document, body, sent_headers, timeout_s or self.timeout_s, stream=stream
                )
            except requests.exceptions.SSLError as cause:
                raise NotReachable(self.url, f"the certificate was not accepted: {_reason(cause)}") from cause
            except (
                requests.exceptions.ConnectionError,
                requests.exceptions.Timeout,
                requests.exceptions.ChunkedEncodingError,
            ) as cause:
                few = not self._answered and retry >= BEFORE_FIRST_ANSWER
                wait_s = self.patience.wait_s(retry) if repeatable and not few else None
                if wait_s is None:
                    raise NotReachable(self.url, _reason(cause)) from cause
            except requests.exceptions.RequestException as cause:
                raise NotReachable(self.url, _reason(cause)) from cause
            else:
                self._answered = True
                if answer.status_code < HTTPStatus.MULTIPLE_CHOICES:
                    return answer
                wait_s = None
                problem = problem_of(answer)
                if repeatable and (answer.status_code in COME_BACK_LATER or problem.slug == STILL_ANSWERING):
                    wait_s = self.patience.wait_s(retry, asked_wait_s(answer.headers.get("Retry-After")))
                if wait_s is None:
                    raise refused(problem)
            self.patience.pause(wait_s)
            retry += 1

    def document(self, method: str, path: str, **options: Any) -> dict[str, Any]:
        """Ask and read the answer as a JSON object.

        Parameters
        ----------
        method, path, options : as for `request`

        Raises
        ------
        NotReachable, Refused : as for `request`
        UnreadableAnswer : not a JSON object
        """
        return self.read(self.request(method, path, **options))

    def read(self, answer: requests.Response) -> dict[str, Any]:
        """The JSON object of an answer.

        Parameters
        ----------
        answer : status below 300

        Raises
        ------
        UnreadableAnswer : not a JSON object
        """
        try:
            found = answer.json()
        except ValueError as cause:
            kind = answer.headers.get("Content-Type", "no content type")
            raise UnreadableAnswer(self.url, f"something else than JSON ({kind})") from cause
        if not isinstance(found, dict):
            raise UnreadableAnswer(self.url, "JSON that is no object")
        return found

    def pages(self, path: str, query: Query = ()) -> Iterator[dict[str, Any]]:
        """Pages of a list, one after the other.

        Parameters
        ----------
        path : of the list
        query : filters
        """
        wanted: Query = query
        while True:
            answer = self.request("GET", path, query=wanted)
            page = self.read(answer)
            if not isinstance(page.get("items"), list):
                raise UnreadableAnswer(self.url, f"a list without items at {path}")
            yield page
            following = answer.links.get("next", {}).get("url")
            if following:
                wanted = parse_qsl(urlsplit(following).query, keep_blank_values=True)
            elif page.get("next"):
                wanted = [*((name, value) for name, value in query if name != "cursor"), ("cursor", str(page["next"]))]
            else:
                return

    def lines(self, path: str, query: Query = ()) -> Iterable[Any]:
        """Items of a list over all its pages.

        Parameters
        ----------
        path : of the list
        query : filters
        """
        for page in self.pages(path, query):
            yield from page["items"]

    def _once(
        self,
        method: str,
        path: str,
        query: Query,
        document: Any,
        body: Callable[[], Body] | None,
        headers: Mapping[str, str],
        timeout_s: float,
        *,
        stream: bool,
    ) -> requests.Response:
        data: Any = None
        headers = dict(headers)
        if body is not None:
            data, headers["Content-Type"] = body()
        elif document is not None:
            data = json.dumps(document, allow_nan=False).encode()
            headers["Content-Type"] = "application/json"
        return self._session.request(
            method,
            self.url + path,
            params=list(query),
            data=data,
            headers=headers,
            timeout=(CONNECT_TIMEOUT_S, timeout_s),
            allow_redirects=method == "GET",
            stream=stream,
        )


def problem_of(answer: requests.Response) -> Problem:
    """The problem of an answer, also where the body is none of ours (a proxy's page).

    Parameters
    ----------
    answer : status of 300 and above
    """
    try:
        found = answer.json()
    except ValueError:
        found = None
    if isinstance(found, dict) and ("title" in found or "type" in found):
        return Problem.from_document(found, status=answer.status_code)
    if answer.is_redirect:
        return Problem(
            "about:blank", "Moved", answer.status_code, f"The service is at {answer.headers['Location']} now",
            "Give that address.",
        )  # fmt: skip
    kind = answer.headers.get("Content-Type", "")
    detail = answer.text.strip()[:LONGEST_PROBLEM_TEXT] if kind.startswith("text/plain") else ""
    title = f"{answer.status_code} {answer.reason or 'without a reason'}"
    return Problem("about:blank", title, answer.status_code, detail)


class _Bearer(requests.auth.AuthBase):
    """Sends the key, and keeps `requests` from sending what a netrc file holds for the host."""

    def __init__(self, key: str | None) -> None:
        self._key = key

    def __call__(self, request: requests.PreparedRequest) -> requests.PreparedRequest:
        if self._key:
            request.headers["Authorization"] = f"Bearer {self._key}"
        return request


def _checked(url: str) -> str:
    parts = urlsplit(url.strip())
    if parts.scheme not in ("http", "https") or not parts.hostname:
        raise BadAddress(f"{url!r} is not an address of a service; it looks like http://127.0.0.1:8080")
    return url.strip().rstrip("/").removesuffix("/v1")


def _on_this_machine(url: str) -> bool:
    host = urlsplit(url).hostname or ""
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host == "localhost"


def _reason(cause: Exception) -> str:
    inner: BaseException = cause
    for argument in cause.args:
        if isinstance(argument, BaseException):
            inner = getattr(argument, "reason", None) or argument
    text = str(inner)
    if isinstance(inner, BaseException) and text.startswith(("HTTPConnection", "HTTPSConnection", "<urllib3")):
        text = text.partition(": ")[2] or text
    known = {
        "Connection refused": "connection refused",
        "Failed to resolve": "no such host",
        "Name or service not known": "no such host",
        "timed out": "timed out",
        "Connection reset": "connection reset",
        "closed connection without response": "the connection was closed without an answer",
    }
    return next((words for part, words in known.items() if part in text), text)


def _require_whole(path: str) -> None:
    """Refuse a path that does not reach the service as it is; keys are quoted, yet dots are not."""
    if any(part in ("", ".", "..") for part in path.removeprefix("/").split("/")):
        raise BadAddress(f"{path} is not an address of the service: no key or id can be empty, . or ..")
