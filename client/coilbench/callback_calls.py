"""The client's calls about call-backs; `Client` has them all. Where there are keys, they need the scope admin."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Any
from urllib.parse import quote

from coilbench.callback import Callback, Delivery
from coilbench.calls import PAGE, Calls


class CallbackCalls(Calls):
    """What a client does with call-backs."""

    def callbacks(self) -> Iterator[Callback]:
        """Call-backs, in the order in which they were made, without their secrets."""
        for item in self._transport.lines("/v1/callbacks", [("limit", PAGE)]):
            yield self._read(Callback.from_document, item, "call-back")

    def callback(self, id: str) -> Callback:
        """One call-back, without its secret.

        Parameters
        ----------
        id : of the call-back

        Raises
        ------
        NotFound : there is no such call-back
        """
        return self._read(Callback.from_document, self._transport.document("GET", _path(id)), "call-back")

    def add_callback(self, url: str, *, states: Iterable[str] | None = None, session: str | None = None) -> Callback:
        """Have an address told when takes end. The answer has the secret, this once: keep it.

        A second call makes a second call-back; it is not repeated after a lost connection.

        Parameters
        ----------
        url : where the service posts to; https and of the public internet, unless its operator allows others
        states : measured, rejected, failed; None for all
        session : only takes of this session

        Raises
        ------
        Unprocessable : the service sends nothing to this address
        Conflict : there are as many as the service keeps
        """
        asked: dict[str, Any] = {"url": url}
        if states is not None:
            asked["states"] = list(states)
        if session is not None:
            asked["session"] = session
        made = self._transport.document("POST", "/v1/callbacks", document=asked)
        return self._read(Callback.from_document, made, "call-back")

    def change_callback(self, id: str, **changes: Any) -> Callback:
        """Change a call-back.

        Parameters
        ----------
        id : of the call-back
        changes : url, states, session (None: all sessions), stopped (False starts it again), new_secret (True: the
            answer has it, and the old one is void)

        Raises
        ------
        Unprocessable : a value that the service does not take
        NotFound : there is no such call-back
        """
        changed = self._transport.document("PATCH", _path(id), document=changes)
        return self._read(Callback.from_document, changed, "call-back")

    def remove_callback(self, id: str) -> None:
        """Delete a call-back with all that was, or was to be, sent to it.

        Parameters
        ----------
        id : of the call-back

        Raises
        ------
        NotFound : there is no such call-back
        """
        self._transport.request("DELETE", _path(id))

    def test_callback(self, id: str) -> Delivery:
        """Have a trial message sent; `deliveries` says whether it arrived.

        Parameters
        ----------
        id : of the call-back

        Raises
        ------
        Busy : the last trial was a moment ago
        NotFound : there is no such call-back
        """
        return self._read(
            Delivery.from_document, self._transport.document("POST", f"{_path(id)}/test", document={}), "delivery"
        )

    def deliveries(self, id: str) -> Iterator[Delivery]:
        """What was, and is to be, sent to a call-back, the newest first.

        Parameters
        ----------
        id : of the call-back

        Raises
        ------
        NotFound : there is no such call-back
        """
        for item in self._transport.lines(f"{_path(id)}/deliveries", [("limit", PAGE)]):
            yield self._read(Delivery.from_document, item, "delivery")


def _path(id: str) -> str:
    return f"/v1/callbacks/{quote(id, safe='')}"
