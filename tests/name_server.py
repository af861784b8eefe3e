"""A name server on a loopback port, as a container engine has one: a service's name gives its containers' addresses."""

from __future__ import annotations

import socket
import struct
import threading
from collections.abc import Mapping
from ipaddress import IPv4Address

ANSWER, NO_SUCH_NAME = 0x8180, 0x8183
A_RECORD, INTERNET = 1, 1
TIME_TO_LIVE_S = 1


class NameServer:
    """Answers questions for IPv4 addresses until `close`; `names` may be changed meanwhile."""

    def __init__(self, names: Mapping[str, list[str]]) -> None:
        self.names = dict(names)
        self._socket = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        self._socket.bind(("127.0.0.1", 0))
        self.port: int = self._socket.getsockname()[1]
        self._thread = threading.Thread(target=self._answer, name="names", daemon=True)
        self._thread.start()

    def close(self) -> None:
        """Answer no more."""
        with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as other:
            other.sendto(b"", ("127.0.0.1", self.port))
        self._thread.join()
        self._socket.close()

    def _answer(self) -> None:
        while True:
            question, sender = self._socket.recvfrom(512)
            if not question:
                return
            self._socket.sendto(self._reply(question), sender)

    def _reply(self, question: bytes) -> bytes:
        """RFC 1035 section 4: header, the question again, one record for each address."""
        labels, at = [], 12
        while (length := question[at]) > 0:
            labels.append(question[at + 1 : at + 1 + length].decode())
            at += 1 + length
        (kind,) = struct.unpack("!H", question[at + 1 : at + 3])
        addresses = self.names.get(".".join(labels))
        found = addresses if addresses and kind == A_RECORD else []
        records = b"".join(
            struct.pack("!HHHIH", 0xC00C, A_RECORD, INTERNET, TIME_TO_LIVE_S, 4) + IPv4Address(address).packed
            for address in found
        )
        head = question[:2] + struct.pack("!HHHHH", NO_SUCH_NAME if addresses is None else ANSWER, 1, len(found), 0, 0)
        return head + question[12 : at + 5] + records
