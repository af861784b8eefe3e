"""Joins recordings with their descriptions: what exactly is to be sent."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from coilbench.manifest import Entry, Manifest
from coilbench.selection import Selection


@dataclass(frozen=True)
class Parcel:
    """A recording with its description; `source` says where the description came from, for messages."""

    file: Path
    about: Mapping[str, Any] = field(default_factory=dict)
    source: str = ""


@dataclass(frozen=True)
class Packing:
    """What is to be sent, and what is worth saying about it.

    Attributes
    ----------
    parcels : in the order of the recordings; entries whose file is missing come last and will fail by themselves
    undescribed : recordings that no manifest names, although there is one
    unselected : files that a manifest names and that were not asked for
    """

    parcels: tuple[Parcel, ...]
    undescribed: tuple[Path, ...] = ()
    unselected: tuple[Path, ...] = ()


def pack(
    selection: Selection | None, manifests: Sequence[Manifest] = (), about: Mapping[str, Any] | None = None
) -> Packing:
    """Join recordings and descriptions.

    Parameters
    ----------
    selection : the recordings, or None for all that the manifests name
    manifests : what is known about each
    about : what is known about all; a manifest's own value goes before it
    """
    shared = dict(about or {})
    entries: dict[Path, list[tuple[Manifest, Entry]]] = {}
    for manifest in manifests:
        for entry in manifest.entries:
            entries.setdefault(entry.file.resolve(), []).append((manifest, entry))

    files = selection.files if selection is not None else tuple(pairs[0][1].file for pairs in entries.values())
    parcels: list[Parcel] = []
    undescribed: list[Path] = []
    for file in files:
        pairs = entries.pop(file.resolve(), [])
        parcels += [Parcel(file, {**shared, **entry.about}, _place(manifest, entry)) for manifest, entry in pairs]
        if not pairs:
            parcels.append(Parcel(file, shared))
            if manifests:
                undescribed.append(file)
    unselected: list[Path] = []
    for pairs in entries.values():
        for manifest, entry in pairs:
            if entry.file.exists():
                unselected.append(entry.file)
            else:
                parcels.append(Parcel(entry.file, {**shared, **entry.about}, _place(manifest, entry)))
    return Packing(tuple(parcels), tuple(undescribed), tuple(unselected))


def _place(manifest: Manifest, entry: Entry) -> str:
    return f"{manifest.path.name}, line {entry.line}"
