"""`coilbench coil`: what coil, pots, cable and input do to the response, and a winding's resistance."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from typing import Any

import click

from coilbench.coil import CoilModel
from coilbench.command.connection import Connection, connection_options

COIL = ("inductance_h", "resistance_ohm", "capacitance_pf")
LOAD = ("volume_pot_ohm", "tone_pot_ohm", "input_ohm", "load_ohm", "cable_pf")
WIRE = ("awg", "diameter_mm", "turns", "mean_turn_mm", "temperature_c")
HELP = {
    "inductance_h": "Inductance of the coil, H.",
    "resistance_ohm": "Resistance of the coil, ohm.",
    "capacitance_pf": "The coil's own capacitance, pF.",
    "volume_pot_ohm": "Volume pot, turned up full, ohm.",
    "tone_pot_ohm": "Tone pot, turned up full, ohm.",
    "input_ohm": "Input of amplifier or interface, ohm.",
    "load_ohm": "Any other load, ohm.",
    "cable_pf": "Cable, pF.",
    "awg": "Gauge of the wire, exact formula.",
    "diameter_mm": "Bare diameter of the wire, mm, in place of the gauge.",
    "turns": "Turns.",
    "mean_turn_mm": "Length of the mean turn, mm.",
    "temperature_c": "Temperature of the winding, C. [20]",
}
WIDTH = 50
"""Characters of the tallest bar of the curve."""
SHOWN_EVERY = 6
FLOOR_DB = -30.0


def _value_options(command: Callable[..., Any]) -> Callable[..., Any]:
    for name in reversed((*COIL, *LOAD, *WIRE)):
        command = click.option(f"--{name.replace('_', '-')}", name, type=float, help=HELP[name])(command)
    return command


@click.command(short_help="What coil, pots, cable and input do to the response.")
@connection_options
@_value_options
@click.option("--json", "as_json", is_flag=True, help="Print the answer for programs, one JSON object.")
@click.pass_obj
def coil(connection: Connection, /, as_json: bool, **given: float | None) -> None:
    r"""Work out a loaded coil's response (coil and load), a winding's resistance (wire), or both.

    \b
    coilbench coil --inductance-h 2.5 --resistance-ohm 6000 --capacitance-pf 140 --volume-pot-ohm 250e3 --cable-pf 470
    coilbench coil --awg 42 --turns 8000 --mean-turn-mm 140
    """
    values = {name: value for name, value in given.items() if value is not None}
    if not values:
        raise click.UsageError("give a coil (--inductance-h, --resistance-ohm), a winding (--awg, --turns), or both")
    load = {("resistance_ohm" if name == "load_ohm" else name): values[name] for name in LOAD if name in values}
    found = connection.client().coil(
        {name: values[name] for name in COIL if name in values},
        load,
        {name: values[name] for name in WIRE if name in values},
    )
    if as_json:
        click.echo(json.dumps(found.document))
    else:
        click.echo("\n".join(_lines(found)))


def _lines(found: CoilModel) -> Iterator[str]:
    if found.natural_hz is not None:
        yield from _resonance(found)
        yield ""
        yield "Response, dB re the voltage induced in the coil"
        for point in found.response[::SHOWN_EVERY]:
            bar = "#" * round(WIDTH * max(0.0, (point.db - FLOOR_DB) / (_tallest(found) - FLOOR_DB)))
            yield f"  {point.hz:7.0f} Hz  {point.db:+6.1f} dB  {bar}"
    if found.wire is not None:
        wire = found.wire
        yield f"Wire            {wire.diameter_mm:.4f} mm bare, {wire.length_m:.0f} m"
        yield f"Resistance      {wire.resistance_ohm:.0f} ohm; {wire.resistance_20c_ohm:.0f} ohm at 20 C"
        if wire.low_ohm is not None and wire.high_ohm is not None:
            yield f"Wire tolerance  {wire.low_ohm:.0f} to {wire.high_ohm:.0f} ohm"
    yield ""
    yield from (f"- {one}" for one in found.limits)


def _resonance(found: CoilModel) -> Iterator[str]:
    q = "none: nothing damps it" if found.q is None else f"{found.q:.2f}"
    yield f"Natural frequency {found.natural_hz:.0f} Hz, Q {q}"
    if found.peak_hz is None or found.peak_db is None:
        yield "No peak: the response only falls"
    else:
        yield f"Peak at {found.peak_hz:.0f} Hz, {found.peak_db:+.1f} dB"
    yield f"At 0 Hz {found.dc_db:+.2f} dB; 3 dB below that at {found.minus3db_hz:.0f} Hz"


def _tallest(found: CoilModel) -> float:
    return max(point.db for point in found.response)
