"""The body of a request as gunicorn gives it: a framing that is broken is the sender's fault, and no error of ours."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from typing import Any

from gunicorn.http.errors import ParseException
from werkzeug.exceptions import BadRequest


class BodyReader:
    """Reads a body; in the place of gunicorn's own errors comes one that is answered 400.

    Parameters
    ----------
    body : gunicorn's `wsgi.input`
    """

    def __init__(self, body: Any) -> None:
        self._body = body

    def read(self, size: int = -1) -> bytes:
        """The next bytes, at most `size`.

        Raises
        ------
        BadRequest : the framing is broken
        """
        return self._read(self._body.read, size)

    def readline(self, size: int = -1) -> bytes:
        """The next line; raises as `read`."""
        return self._read(self._body.readline, size)

    def __iter__(self) -> Iterator[bytes]:
        return iter(self.readline, b"")

    def _read(self, read: Callable[[int | None], bytes], size: int) -> bytes:
        try:
            return read(None if size < 0 else size)
        except ParseException as error:
            raise BadRequest("The body's framing is not HTTP.") from error


def reading_bodies(app: Callable[..., Iterable[bytes]]) -> Callable[..., Iterable[bytes]]:
    """The app, with bodies read so."""

    def read(environ: dict[str, Any], start: Callable[..., Any]) -> Iterable[bytes]:
        environ["wsgi.input"] = BodyReader(environ["wsgi.input"])
        return app(environ, start)

    return read
