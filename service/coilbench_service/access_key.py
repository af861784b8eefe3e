"""The form of an access key: `coil_<id>_<secret>`.

The id may be shown and logged; the secret is shown once, when the key is made. Of it the database has the SHA-256 and
no more. A slow hash, as for passwords, would add nothing: a secret is 256 bits from the system's generator, which
nobody can go through whatever one try costs, and it would cost every request that time.
"""

from __future__ import annotations

import hashlib
import hmac
import re
import secrets
from dataclasses import dataclass, field

PREFIX = "coil"
ID_PATTERN = r"^[0-9a-f]{16}$"
_ID_BYTES = 8
_SECRET_BYTES = 32
_FORM = re.compile(rf"{PREFIX}_([0-9a-f]{{16}})_([A-Za-z0-9_-]{{43}})")
_NOBODYS = hashlib.sha256(secrets.token_bytes(_SECRET_BYTES)).hexdigest()
"""What a secret is held against when there is no such key; made anew by each process, and the hash of no key."""


@dataclass(frozen=True)
class AccessKey:
    """One key; `text` is what its owner keeps and sends."""

    id: str
    secret: str = field(repr=False)

    @property
    def text(self) -> str:
        """The whole key."""
        return f"{PREFIX}_{self.id}_{self.secret}"


def make() -> AccessKey:
    """A fresh key, as nobody has it."""
    return AccessKey(secrets.token_hex(_ID_BYTES), secrets.token_urlsafe(_SECRET_BYTES))


def parse(text: str) -> AccessKey | None:
    """The key of a text; None when the text has not the form of one."""
    found = _FORM.fullmatch(text)
    return AccessKey(found[1], found[2]) if found else None


def sha256(secret: str) -> str:
    """What is kept of a secret: 64 hexadecimal digits."""
    return hashlib.sha256(secret.encode("ascii")).hexdigest()


def same(secret: str, kept_sha256: str | None) -> bool:
    """Whether a secret is the one that was kept, in a time that does not depend on where they differ.

    Parameters
    ----------
    kept_sha256 : None where there is no key of that id; the way and the answer are those of a wrong secret
    """
    return hmac.compare_digest(sha256(secret), kept_sha256 if kept_sha256 is not None else _NOBODYS)
