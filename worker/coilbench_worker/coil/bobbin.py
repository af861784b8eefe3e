"""A bobbin and what is wound on it: mean turn, layers, depth, whether it fits; turns from resistance and back.

Conventions: the core is a straight piece with rounded ends (half circles unless another radius is given); every layer
goes round it at an even distance, so that a turn at distance x is 2 pi x longer than one on the core. The winding is as
high as the space between the flanges. Each turn takes the square of its diameter over the insulation, divided by
`packing`; what is left between the turns goes into that.

Common practice, no source: insulation of a single build makes fine wire 13 % thicker (2.8 mil over AWG 42), and a
machine that scatters the turns a little packs them to nine tenths of neat squares. Both can be given.
"""

from dataclasses import dataclass
from math import ceil, isfinite, pi, sqrt

from .wire import Copper, resistance_per_metre

OVERALL_TO_BARE = 1.13
"""Diameter over single-build enamel re bare, AWG 40 to 44 (common practice, no source)."""
PACKING = 0.9
"""Share of neat square packing (common practice, no source)."""


@dataclass(frozen=True)
class Bobbin:
    """Inner shape and space, all in mm.

    `core_length_mm`, `core_width_mm`: over the core that the first layer lies on; `height_mm`: between the flanges;
    `depth_mm`: room for the winding beyond the core; `corner_radius_mm`: of the core's ends, None for half circles.
    """

    core_length_mm: float
    core_width_mm: float
    height_mm: float
    depth_mm: float
    corner_radius_mm: float | None = None

    def __post_init__(self) -> None:
        """Raise ValueError where no such bobbin can be."""
        sizes = (self.core_length_mm, self.core_width_mm, self.height_mm, self.depth_mm)
        if not all(isfinite(size) and size > 0 for size in sizes):
            raise ValueError(f"A bobbin's sizes must be > 0 mm; got {sizes}.")
        if self.core_width_mm > self.core_length_mm:
            raise ValueError(
                f"A core is at least as long as it is wide; got {self.core_length_mm} and {self.core_width_mm} mm."
            )
        if not 0 <= self.radius_mm <= self.core_width_mm / 2:
            raise ValueError(
                f"A core's corners have a radius from 0 to half its width, {self.core_width_mm / 2:g} mm; "
                f"got {self.corner_radius_mm}."
            )

    @property
    def radius_mm(self) -> float:
        """Radius of the core's corners, mm."""
        return self.core_width_mm / 2 if self.corner_radius_mm is None else self.corner_radius_mm

    @property
    def first_turn_mm(self) -> float:
        """Length of a turn that lies on the core, mm: its circumference."""
        return 2 * (self.core_length_mm + self.core_width_mm) - 8 * self.radius_mm + 2 * pi * self.radius_mm


@dataclass(frozen=True)
class Wound:
    """What a number of turns makes on a bobbin; lengths in mm.

    `space_factor`: share of the winding's cross-section that is bare copper. `fit_turns`: how many the bobbin holds.
    """

    turns: float
    mean_turn_mm: float
    last_turn_mm: float
    depth_mm: float
    layers: int
    turns_per_layer: float
    overall_mm: float
    space_factor: float
    fit_turns: int
    fits: bool


def wound(
    bobbin: Bobbin, diameter_mm: float, turns: float, *, overall_mm: float | None = None, packing: float = PACKING
) -> Wound:
    """Wind a bobbin.

    Parameters
    ----------
    bobbin : its sizes
    diameter_mm : bare wire, > 0
    turns : > 0
    overall_mm : over the insulation, >= diameter_mm; None takes a single build
    packing : share of neat square packing, > 0, at most 1.15 (hexagonal)

    Returns
    -------
    Wound : also where it does not fit, with `fits` False

    Raises
    ------
    ValueError : a value out of range

    Source: geometry. Accuracy: rounding, tests/unit/coil/test_bobbin.py.
    """
    if not (isfinite(turns) and turns > 0):
        raise ValueError(f"Turns must be > 0; got {turns}.")
    overall_mm = _overall(diameter_mm, overall_mm)
    per_turn_mm2 = _per_turn(overall_mm, packing)
    depth_mm = turns * per_turn_mm2 / bobbin.height_mm
    fit_turns = int(bobbin.height_mm * bobbin.depth_mm / per_turn_mm2 * (1 + 1e-12))
    return Wound(
        turns=turns,
        mean_turn_mm=bobbin.first_turn_mm + pi * depth_mm,
        last_turn_mm=bobbin.first_turn_mm + 2 * pi * depth_mm,
        depth_mm=depth_mm,
        layers=ceil(depth_mm / (overall_mm / sqrt(packing)) - 1e-9),
        turns_per_layer=bobbin.height_mm / (overall_mm / sqrt(packing)),
        overall_mm=overall_mm,
        space_factor=pi / 4 * diameter_mm**2 / per_turn_mm2,
        fit_turns=fit_turns,
        fits=turns <= fit_turns,
    )


def turns_on(
    bobbin: Bobbin,
    resistance_20c_ohm: float,
    diameter_mm: float,
    *,
    overall_mm: float | None = None,
    packing: float = PACKING,
    copper: Copper = "iec-60028",
) -> float:
    """Turns of a winding from its resistance at 20 C: outer turns are longer, which `wire.turns_of` does not know.

    Parameters
    ----------
    bobbin, diameter_mm, overall_mm, packing : as for `wound`
    resistance_20c_ohm : > 0
    copper : which resistivity

    Raises
    ------
    ValueError : a value out of range

    Source: R = r N (l0 + pi a N / h), a quadratic in N with one positive root.
    """
    if not (isfinite(resistance_20c_ohm) and resistance_20c_ohm > 0):
        raise ValueError(f"A winding's resistance must be > 0 ohm; got {resistance_20c_ohm}.")
    per_turn_mm2 = _per_turn(_overall(diameter_mm, overall_mm), packing)
    growth_mm = pi * per_turn_mm2 / bobbin.height_mm
    length_mm = 1000 * resistance_20c_ohm / resistance_per_metre(diameter_mm, copper)
    first_mm = bobbin.first_turn_mm
    return 2 * length_mm / (first_mm + sqrt(first_mm**2 + 4 * growth_mm * length_mm))


def _overall(diameter_mm: float, overall_mm: float | None) -> float:
    if not (isfinite(diameter_mm) and diameter_mm > 0):
        raise ValueError(f"A wire's diameter must be > 0 mm; got {diameter_mm}.")
    found = diameter_mm * OVERALL_TO_BARE if overall_mm is None else overall_mm
    if not (isfinite(found) and found >= diameter_mm):
        raise ValueError(f"Over its insulation a wire is at least as thick as bare, {diameter_mm} mm; got {found} mm.")
    return found


def _per_turn(overall_mm: float, packing: float) -> float:
    hexagonal = 2 / sqrt(3)
    if not 0 < packing <= hexagonal:
        raise ValueError(f"A packing lies above 0 and up to {hexagonal:.4f} (hexagonal); got {packing}.")
    return overall_mm**2 / packing
