"""The appendix: each recording with its hash, how it was measured, and by which version of what."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from coilbench_service.field_labels import label_of
from coilbench_service.report.blocks import Block, Head, Paragraph, Section, Table
from coilbench_service.report.contents import Contents
from coilbench_service.writing import NOTHING, listed, moment, plain


def appendix(contents: Contents) -> Section:
    """Takes and how they were measured."""
    return Section("appendix", "Appendix: recordings, settings, versions", tuple(_blocks(contents)))


def _blocks(contents: Contents) -> Iterator[Block]:
    measured = [take for take in contents.takes if take.measurement is not None]
    versions = list(dict.fromkeys(str(take.measurement["version"]) for take in measured if take.measurement))
    told = f"Made {moment(contents.made)} by coilbench {contents.version}"
    told += f"; measured by version {listed(versions)} of the measuring code." if versions else "."
    yield Paragraph(told)
    if len(versions) > 1:
        yield Paragraph(
            "Figures of different versions of the measuring code stand side by side: measure older takes again.",
            "caution",
        )
    yield from _settings(contents)
    counting = {take.id for take in contents.counting}
    rows = tuple(
        (
            contents.named[take.id],
            take.pickup or NOTHING,
            "yes" if take.id in counting else "no",
            str(take.strums) if take.measurement is not None else NOTHING,
            _format(take.measurement),
            take.take["file"]["sha256"],
        )
        for take in contents.takes
    )
    heads = (
        Head("Take", width=1.3),
        Head("Pickup", width=1.1),
        Head("Counts", width=0.6),
        Head("Strums", number=True, width=0.65),
        Head("Recording", width=1.2),
        Head("SHA-256 of the recording as sent", width=3.4),
    )
    yield Table("The recordings", heads, rows, code=(5,))


def _format(measurement: Any) -> str:
    if measurement is None:
        return NOTHING
    audio = measurement["audio"]
    channels = "" if audio["channels"] == 1 else f", channel {audio['channel_used']} of {audio['channels']}"
    return f"{audio['encoding']}, {audio['sample_rate_hz'] / 1000:g} kHz{channels}"


def _settings(contents: Contents) -> Iterator[Block]:
    """Settings that all measured takes share, and those that differ."""
    documents = [take.measurement["settings"] for take in contents.takes if take.measurement is not None]
    names = list(dict.fromkeys(name for document in documents for name in document))
    rows = []
    for name in names:
        values = dict.fromkeys(_value(document.get(name)) for document in documents)
        rows.append((_called(name), " or ".join(values)))
    if rows:
        heads = (Head("Setting"), Head("Value", width=2.0))
        yield Table("Settings of the measurement; windows in seconds from the onset", heads, tuple(rows))


def _value(value: Any) -> str:
    """A window as from and to."""
    return " to ".join(map(plain, value)) if isinstance(value, list) else plain(value)


def _called(name: str) -> str:
    return label_of(name.removesuffix("_s")).capitalize()
