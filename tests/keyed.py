"""A service that wants access keys, with a key of each scope."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from werkzeug.test import TestResponse

from coilbench_service import key_changes
from coilbench_service.access_key import AccessKey
from coilbench_service.asker import SCOPES
from http_service import Service, service


class Keyed:
    """The service, and its keys by scope."""

    def __init__(self, running: Service) -> None:
        self.service = running
        self.keys = {scope: self.made(scope) for scope in SCOPES}

    def made(self, *scopes: str, **limits: Any) -> AccessKey:
        """A fresh key."""
        return key_changes.make(self.service.bench.database, "test", scopes, **limits)[0]

    def ask(self, method: str, path: str, key: str | AccessKey | None = None, **options: Any) -> TestResponse:
        """One request.

        Parameters
        ----------
        key : a scope, whose key is shown; a key; or None
        """
        shown = self.keys[key] if isinstance(key, str) else key
        headers = {**options.pop("headers", {}), **({} if shown is None else bearing(shown.text))}
        return self.service.client.open(path, method=method, headers=headers, **options)


def bearing(text: str) -> dict[str, str]:
    """The header that shows a key."""
    return {"Authorization": f"Bearer {text}"}


@contextmanager
def keyed_service(folder: Path, **settings: Any) -> Iterator[Keyed]:
    """The service with its data in the folder, asking for keys."""
    with service(folder, **{"keys": "always", **settings}) as running:
        yield Keyed(running)
