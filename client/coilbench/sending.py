"""Sends one recording: looks whether it is there, sends it if not, makes sure that it arrived.

hash the file -> a take with these bytes and this description is there?  yes: already-there, nothing sent
              -> no: POST with an Idempotency-Key made from bytes, name and description
              -> the answer may be that of an earlier sending whose take was deleted since: then once more, as a new one
"""

from __future__ import annotations

import errno
from contextlib import ExitStack
from typing import Any

from coilbench.description import canonical_json, same
from coilbench.errors import (
    CoilbenchError,
    FileChanged,
    NotFound,
    NotPermitted,
    NotReachable,
    NotReadable,
    UnreadableAnswer,
)
from coilbench.parcels import Parcel
from coilbench.sent import Sent
from coilbench.take import Take
from coilbench.transport import Body, Transport
from coilbench.upload import UPLOAD_TIMEOUT_S, Watch, digest, idempotency_key, multipart

MOST_GENERATIONS = 20
HOPELESS = (NotReachable, NotPermitted, UnreadableAnswer)


class Sender:
    """Sends recordings over one transport.

    Parameters
    ----------
    transport : to the service
    dry_run : look and compare, send nothing
    """

    def __init__(self, transport: Transport, *, dry_run: bool = False) -> None:
        self._transport = transport
        self._dry_run = dry_run

    def send(self, parcel: Parcel, watch: Watch | None = None) -> Sent:
        """Send one recording; what goes wrong with this file alone is in the result, not raised.

        Parameters
        ----------
        parcel : recording and description
        watch : told of bytes as they are sent, or None

        Raises
        ------
        NotReachable, NotPermitted, UnreadableAnswer : no other file would fare better
        """
        try:
            return self._send(parcel, watch)
        except OSError as cause:
            where = f" ({parcel.source})" if parcel.source else ""
            error = NotReadable(f"{parcel.file} can't be read: {cause.strerror or cause}{where}")
            error.__cause__ = cause
            return Sent(parcel.file, "failed", parcel.about, error=error)
        except HOPELESS:
            raise
        except CoilbenchError as error:
            return Sent(parcel.file, "failed", parcel.about, error=error)

    def _send(self, parcel: Parcel, watch: Watch | None) -> Sent:
        about_json = canonical_json(parcel.about)
        if not parcel.file.is_file():
            raise FileNotFoundError(errno.ENOENT, "there is no such file")
        sha256 = digest(parcel.file)
        there = [take_of(item, self._transport) for item in self._transport.lines("/v1/takes", [("sha256", sha256)])]
        for take in there:
            if same(take.about, parcel.about):
                return Sent(parcel.file, "already-there", parcel.about, take)
        if self._dry_run:
            return Sent(parcel.file, "would-send", parcel.about)
        seen = ",".join(sorted(take.id for take in there))
        for generation in range(MOST_GENERATIONS):
            key = idempotency_key(sha256, parcel.file.name, about_json, f"{seen}/{generation}")
            take = self._post(parcel, about_json, key, watch)
            if take.file_sha256 != sha256:
                raise FileChanged(parcel.file)
            try:
                arrived = take_of(self._transport.document("GET", f"/v1/takes/{take.id}"), self._transport)
            except NotFound:
                continue
            return Sent(parcel.file, "sent", parcel.about, arrived)
        raise UnreadableAnswer(self._transport.url, f"takes that are gone at once ({parcel.file})")

    def _post(self, parcel: Parcel, about_json: str, key: str, watch: Watch | None) -> Take:
        with ExitStack() as open_files:

            def body() -> Body:
                file = open_files.enter_context(parcel.file.open("rb"))
                return multipart(file, parcel.file.name, about_json, watch)

            answer = self._transport.document(
                "POST",
                "/v1/takes",
                body=body,
                headers={"Idempotency-Key": key},
                timeout_s=max(UPLOAD_TIMEOUT_S, self._transport.timeout_s),
            )
        return take_of(answer, self._transport)


def take_of(document: Any, transport: Transport) -> Take:
    """The take in a JSON document.

    Parameters
    ----------
    document : as the service sent it
    transport : for the message

    Raises
    ------
    UnreadableAnswer : not a take
    """
    try:
        return Take.from_document(document)
    except (KeyError, TypeError, ValueError, AttributeError) as cause:
        raise UnreadableAnswer(transport.url, "something that is not a take") from cause
