"""`coilbench coil`: what coil, pots, cable and input do to the response, and a winding's resistance."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import click

from coilbench.command.answer import answer_json_option, confidence_option, hand_over, session_option
from coilbench.command.connection import Connection, connection_options
from coilbench.command.options import Finite, output_option

COIL = {
    "inductance_h": "Inductance of the coil, H.",
    "resistance_ohm": "Resistance of the coil, ohm.",
    "capacitance_pf": "The coil's own capacitance, pF.",
}
LOAD = {
    "volume_pot_ohm": "Volume pot, ohm.",
    "volume_position": "How far it is turned up, 0 to 1, a share of its resistance. [1]",
    "tone_pot_ohm": "Tone pot, ohm.",
    "tone_position": "How far it is turned up, 0 to 1, a share of its resistance. [1]",
    "tone_capacitor_nf": "Tone capacitor, nF.",
    "input_ohm": "Input of amplifier or interface, ohm.",
    "input_pf": "Its capacitance, pF.",
    "cable_pf": "Cable, pF.",
    "load_ohm": "Any other resistor at the output, ohm.",
}
WIRE = {
    "awg": "Gauge of the wire, exact formula.",
    "diameter_mm": "Bare diameter of the wire, mm, in place of the gauge.",
    "turns": "Turns.",
    "wound_ohm": "In place of the turns: resistance of the winding, to have them worked out.",
    "mean_turn_mm": "Length of the mean turn, mm; or give a bobbin.",
    "temperature_c": "Temperature of the winding, C. [20]",
}
BOBBIN = {
    "core_length_mm": "Bobbin: length of its core, mm; the ends are round.",
    "core_width_mm": "Bobbin: width of its core, mm.",
    "height_mm": "Bobbin: between the flanges, mm.",
    "depth_mm": "Bobbin: room for the winding beyond the core, mm.",
}
SENT_AS = {"load_ohm": "resistance_ohm", "wound_ohm": "resistance_ohm"}
"""Options whose names stand for another in their part of the request."""
COMBINATIONS = ("series", "parallel", "series-out-of-phase", "parallel-out-of-phase")


def _value_options(command: Callable[..., Any]) -> Callable[..., Any]:
    for name, says in reversed((COIL | LOAD | WIRE | BOBBIN).items()):
        unit = name.rsplit("_", 1)[-1].upper()
        shown = unit if unit in ("H", "OHM", "PF", "NF", "MM", "C") else "NUMBER"
        command = click.option(f"--{name.replace('_', '-')}", name, type=Finite(), metavar=shown, help=says)(command)
    return command


@click.command(short_help="What coil, pots, cable and input do to the response.")
@connection_options
@_value_options
@click.option(
    "--combination",
    type=click.Choice(COMBINATIONS),
    help="Two such coils, the second turned round in winding and magnet.",
)
@click.option("--turns-times", type=Finite(), metavar="NUMBER", help="What so many times the turns would do.")
@click.option("--pickup", metavar="KEY", help="Its sheet gives what is left out; beside it, what was measured.")
@click.option("--beside", metavar="KEY", help="Another pickup: how the two differ, by the model and as measured.")
@session_option
@confidence_option
@output_option
@answer_json_option
@click.pass_obj
def coil(
    connection: Connection,
    /,
    combination: str | None,
    turns_times: float | None,
    pickup: str | None,
    beside: str | None,
    session: str | None,
    confidence: float,
    output: Path | None,
    as_json: bool,
    **given: float | None,
) -> None:
    """Work out a loaded coil's response, a winding's resistance, or both; nothing is kept.

    \b
        coilbench coil --inductance-h 2.5 --resistance-ohm 6000
            --capacitance-pf 110 --volume-pot-ohm 250e3 --cable-pf 500
        coilbench coil --awg 42 --turns 8000 --mean-turn-mm 140
        coilbench coil --pickup harbour-neck --beside mill-bridge
            --cable-pf 470 --input-ohm 1e6

    With --pickup its sheet gives what is left out, and what was measured of it stands beside the model: how far treble
    lies over the middle. `-o curve.csv` saves the response.
    """  # noqa: D301 click reads a backspace
    values = {name: value for name, value in given.items() if value is not None}
    if not values and pickup is None:
        raise click.UsageError(
            "give a coil (--inductance-h, --resistance-ohm), a winding (--awg, --turns), or a --pickup"
        )
    one = _part(values, COIL)
    two = [one, {**one, "winding_reversed": True, "magnet_reversed": True}] if combination is not None else None
    if two is not None and not {"inductance_h", "resistance_ohm"} <= set(one):
        raise click.UsageError("--combination takes the coil twice: give --inductance-h and --resistance-ohm")
    found = connection.client().coil(
        None if two is not None else one,
        _part(values, LOAD),
        _part(values, WIRE),
        coils=two,
        combination=combination,
        bobbin=_part(values, BOBBIN),
        turns_times=turns_times,
        pickup=pickup,
        beside=beside,
        session=session,
        confidence=None if pickup is None else confidence,
    )
    hand_over(found, output, as_json=as_json)


def _part(values: dict[str, float], names: dict[str, str]) -> dict[str, float]:
    return {SENT_AS.get(name, name): values[name] for name in names if name in values}
