"""Bodies under gunicorn: a broken framing is answered 400, and anything else comes as it is."""

from __future__ import annotations

import io
from typing import Any

import pytest
from gunicorn.http.errors import InvalidChunkSize
from werkzeug.exceptions import BadRequest

from coilbench_service.body_reader import BodyReader


class Broken:
    """A body whose framing ends in nonsense."""

    def read(self, _size: int | None = None) -> bytes:
        """Fail as gunicorn does."""
        raise InvalidChunkSize(b"zz")

    readline = read


def test_a_broken_framing_is_the_fault_of_its_sender() -> None:
    for read in (BodyReader(Broken()).read, BodyReader(Broken()).readline):
        with pytest.raises(BadRequest):
            read(10)


def test_a_whole_body_is_read_as_it_is() -> None:
    def body() -> Any:
        return BodyReader(io.BytesIO(b"one\ntwo\n"))

    assert body().read() == b"one\ntwo\n"
    assert body().read(3) == b"one"
    assert list(body()) == [b"one\n", b"two\n"]
