"""How pages write things down: figures, moments, sizes, names of takes. Each is a filter of the templates."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import datetime
from typing import Any

from markupsafe import Markup

from coilbench_service.writing import figure, plain, said, signed
from coilbench_worker.compare.columns import in_a_sentence

SEVERITIES = ("reject", "caution", "note")
"""Worst first."""
STATES = {
    "waiting": "Waiting",
    "measuring": "Being measured",
    "measured": "Measured",
    "rejected": "Can't be measured",
    "failed": "Failed here",
}
SEVERITY_WORDS = {"reject": "Not usable", "caution": "Caution", "note": "Note"}
ENDINGS = {
    "next": "the next strum",
    "damped": "damped by hand",
    "noise": "sank into the noise",
    "file-end": "the file ends",
}
_UNITS = ((1e9, "GB"), (1e6, "MB"), (1e3, "kB"))


def moment(text: str) -> Markup:
    """An RFC 3339 time in UTC as a `time` element that says so."""
    when = datetime.fromisoformat(text)
    return Markup('<time datetime="{}">{} UTC</time>').format(text, f"{when.day} {when:%b %Y, %H:%M}")


def size(count: int) -> str:
    """Bytes, in the unit that keeps the number short."""
    for factor, unit in _UNITS:
        if count >= factor:
            return f"{count / factor:.1f} {unit}"
    return f"{count} bytes"


def encoded(name: str) -> str:
    """An encoding such as pcm_s24 or float32 in words."""
    bits = name.lstrip("abcdefghijklmnopqrstuvwxyz_")
    return f"{bits} bit, floating point" if name.startswith("float") else f"{bits} bit"


def has_page(key: str) -> bool:
    """Whether a key can stand in the address of its sheet's page: no slash, and nothing unseen or folded away."""
    return key.isprintable() and "/" not in key and key not in (".", "..")


def called(take: Mapping[str, Any]) -> str:
    """What a take is called: its label, else the name of its file."""
    return str(take["about"].get("label") or take["file"]["name"])


def ended(text: str) -> str:
    """The text with one full stop at its end."""
    return f"{text.rstrip('.')}."


def coded(text: str) -> Markup:
    """A sentence whose `names` in backticks are set as code."""
    parts = text.split("`")
    if len(parts) % 2 == 0:
        return Markup.escape(text)
    return Markup("").join(
        Markup("<code>{}</code>").format(part) if odd % 2 else part for odd, part in enumerate(parts)
    )


def worst(checks: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """Checks, the worst first, otherwise in their order."""
    return sorted(checks, key=lambda check: SEVERITIES.index(check["severity"]))


FILTERS: dict[str, Callable[..., Any]] = {
    "figure": figure,
    "moment": moment,
    "size": size,
    "encoded": encoded,
    "called": called,
    "has_page": has_page,
    "plain": plain,
    "coded": coded,
    "ended": ended,
    "worst": worst,
    "state_word": STATES.__getitem__,
    "severity_word": SEVERITY_WORDS.__getitem__,
    "signed": signed,
    "real_minus": said,
    "lower_first": in_a_sentence,
    "ending": lambda text: ENDINGS.get(text, text),
}
