"""`coilbench chain`: input chains, and what full scale is in volts at their gains."""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any, TypeVar

import click
from rich.table import Table as Grid
from rich.text import Text

from coilbench.chain import Calibration, Chain
from coilbench.command.connection import Connection, connection_options
from coilbench.command.headline import screen
from coilbench.command.options import Finite, json_option

Command = TypeVar("Command", bound=Callable[..., Any])


def said_options(command: Command) -> Command:
    """What is said of a chain, each under its own name: name, notes, gain steps, cable, a gain that never changes."""
    command = click.option(
        "--input-gain-db",
        type=Finite(),
        metavar="DB",
        help="Gain of an input whose gain is never changed; its takes inherit it.",
    )(command)
    command = click.option("--cable", metavar="TEXT", help="The cable that belongs to it; its takes inherit it.")(
        command
    )
    command = click.option(
        "--gain-step-uncertainty-db",
        type=Finite(),
        metavar="DB",
        help="How far a difference of two gain settings can be trusted (k = 2). Given, a calibration holds at other "
        "gains too, and is that much less certain there.",
    )(command)
    command = click.option("--notes", metavar="TEXT", help="Anything: which input, who measured it.")(command)
    return click.option("--name", metavar="TEXT", help="What people call it.")(command)


@click.group(short_help="Input chains, and what full scale is in volts at their gains.")
@connection_options
def chain() -> None:
    """Say what lies between pickup and file, so that levels are shown in millivolts.

    A take names its chain and gain (`coilbench send --set chain=desk --set input_gain_db=20`). Where the chain is
    calibrated at that gain, `coilbench table` shows rms_mv and peak_mv, also of takes measured before. Uncertainties
    are expanded ones, k = 2, as data sheets and certificates have them.
    """


@chain.command("list", short_help="List the chains.")
@connection_options
@json_option
@click.pass_obj
def list_chains(connection: Connection, as_json: bool) -> None:
    """List the chains with full scale at each gain."""
    found = list(connection.client().chains())
    if as_json:
        for one in found:
            _print_json(one)
    elif found:
        _print_chains(found)
    else:
        click.echo("No chain yet; `coilbench chain add KEY` makes one.", err=True)


@chain.command(short_help="Make a chain.")
@connection_options
@click.argument("chain_key", metavar="KEY")
@said_options
@json_option
@click.pass_obj
def add(connection: Connection, /, chain_key: str, as_json: bool, **said: Any) -> None:
    """Make a chain. KEY is the short text by which takes name it."""
    made = connection.client().add_chain(chain_key, **said)
    if as_json:
        _print_json(made)
    else:
        click.echo(f"Chain {made.key} is there; `coilbench chain calibrate` says what full scale is at its gains.")


@chain.command(short_help="Change what is said of a chain.")
@connection_options
@click.argument("chain_key", metavar="KEY")
@said_options
@json_option
@click.pass_obj
def change(connection: Connection, /, chain_key: str, as_json: bool, **said: Any) -> None:
    """Change what is said of a chain; what is not given stays."""
    changes = {field: value for field, value in said.items() if value is not None}
    if not changes:
        raise click.UsageError(f"give {' or '.join('--' + field.replace('_', '-') for field in said)}")
    changed = connection.client().change_chain(chain_key, **changes)
    if as_json:
        _print_json(changed)
    else:
        click.echo(f"Chain {changed.key} is changed.", err=True)


@chain.command(short_help="Show a chain with all its calibrations.")
@connection_options
@click.argument("chain_key", metavar="KEY")
@json_option
@click.pass_obj
def show(connection: Connection, chain_key: str, as_json: bool) -> None:
    """Show a chain with all its calibrations, oldest first; of several at a gain the last counts."""
    found = connection.client().chain(chain_key)
    if as_json:
        _print_json(found)
        return
    console = screen()
    console.print(Text(" ".join(part for part in (found.key, found.name) if part), style="bold"))
    if found.notes:
        console.print(Text(found.notes))
    if found.cable:
        console.print(Text(f"cable: {found.cable}"))
    if found.input_gain_db is not None:
        console.print(Text(f"gain: {found.input_gain_db:g} dB, never changed"))
    step = found.gain_step_uncertainty_db
    console.print(Text("gain steps are not vouched for" if step is None else f"gain steps hold within {step:g} dB"))
    counting = {calibration.id for calibration in found.newest}
    for calibration in found.calibrations:
        counts = "" if calibration.id in counting else "  (a newer one counts)"
        console.print(Text(f"\n{calibration.id}  {calibration.created}{counts}"))
        _print_calibration(calibration)
    if not found.calibrations:
        console.print(Text("no calibration yet"))


@chain.command(short_help="Say what full scale is at a gain, by a number or a recorded tone.")
@connection_options
@click.argument("chain_key", metavar="KEY")
@click.argument("tone", required=False, type=click.Path(exists=True, dir_okay=False, path_type=Path))
@click.option("--gain", type=Finite(), required=True, metavar="DB", help="The gain it holds at, as takes give it.")
@click.option("--full-scale-dbu", type=Finite(), metavar="DBU", help="Full scale: the sine whose peak just reaches it.")
@click.option("--full-scale-volts", type=Finite(), metavar="V", help="The same in volts RMS.")
@click.option("--uncertainty-db", type=Finite(), metavar="DB", help="Of full scale (k = 2).")
@click.option("--volts", type=Finite(), metavar="V", help="Voltage of the tone at the input, RMS, read meanwhile.")
@click.option("--dbu", type=Finite(), metavar="DBU", help="The same in dBu.")
@click.option("--uncertainty-percent", type=Finite(), metavar="PERCENT", help="Of that voltage (k = 2): the meter's.")
@click.option("--channel", type=click.IntRange(min=1), help="Channel that carries the tone, from 1.")
@json_option
@click.pass_obj
def calibrate(
    connection: Connection,
    chain_key: str,
    tone: Path | None,
    gain: float,
    full_scale_dbu: float | None,
    full_scale_volts: float | None,
    uncertainty_db: float | None,
    volts: float | None,
    dbu: float | None,
    uncertainty_percent: float | None,
    channel: int | None,
    as_json: bool,
) -> None:
    """Say what full scale is at a gain of chain KEY.

    By a number, from a data sheet or a bench:

    \b
        coilbench chain calibrate desk --gain 20
            --full-scale-dbu 6 --uncertainty-db 0.5

    By a recorded tone: one steady sine of about 1 kHz into the input for ten seconds, peaking between -12 and -6 dBFS,
    its voltage read with a meter while it is recorded:

    \b
        coilbench chain calibrate desk tone.wav --gain 20
            --volts 0.5 --uncertainty-percent 1

    Exits with 1 when the tone is unfit; every fault is listed, and nothing is kept.
    """  # noqa: D301 click reads a backspace
    _require_one_way(tone, (full_scale_dbu, full_scale_volts), uncertainty_db, (volts, dbu), uncertainty_percent)
    if tone is None and channel is not None:
        raise click.UsageError("--channel goes with a TONE")
    made = connection.client().calibrate(
        chain_key,
        tone,
        input_gain_db=gain,
        full_scale_dbu=full_scale_dbu,
        full_scale_v_rms=full_scale_volts,
        uncertainty_db=uncertainty_db,
        tone_v_rms=volts,
        tone_dbu=dbu,
        uncertainty_percent=uncertainty_percent,
        channel=channel,
    )
    if as_json:
        _print_json(made)
    else:
        _print_calibration(made)


@chain.command(short_help="Delete a chain, or one of its calibrations.")
@connection_options
@click.argument("chain_key", metavar="KEY")
@click.option("--calibration", "calibration_id", metavar="ID", help="Delete only this calibration.")
@click.pass_obj
def remove(connection: Connection, chain_key: str, calibration_id: str | None) -> None:
    """Delete a chain with its calibrations and tones; its takes stay, without millivolts."""
    client = connection.client()
    if calibration_id is not None:
        client.remove_calibration(chain_key, calibration_id)
        click.echo(f"Calibration {calibration_id} of chain {chain_key} is deleted.", err=True)
        return
    client.remove_chain(chain_key)
    click.echo(f"Chain {chain_key} is deleted.", err=True)


def _require_one_way(
    tone: Path | None,
    full_scale: Sequence[float | None],
    uncertainty_db: float | None,
    voltage: Sequence[float | None],
    uncertainty_percent: float | None,
) -> None:
    """Raise click.UsageError unless full scale is stated whole, or a tone with its voltage, and not both."""
    if tone is not None:
        if any(value is not None for value in (*full_scale, uncertainty_db)):
            raise click.UsageError("give either a TONE with its voltage, or full scale as a number")
        if sum(value is not None for value in voltage) != 1 or uncertainty_percent is None:
            raise click.UsageError("a TONE needs one of --volts and --dbu, and --uncertainty-percent")
        return
    if any(value is not None for value in (*voltage, uncertainty_percent)):
        raise click.UsageError("--volts, --dbu and --uncertainty-percent go with a TONE, which is missing")
    if sum(value is not None for value in full_scale) != 1 or uncertainty_db is None:
        raise click.UsageError(
            "give one of --full-scale-dbu and --full-scale-volts with --uncertainty-db, or a TONE with its voltage"
        )


def _print_chains(found: Sequence[Chain]) -> None:
    grid = Grid(box=None, padding=(0, 2, 0, 0), pad_edge=False, header_style="bold")
    for head in ("key", "name", "gain", "full scale"):
        grid.add_column(head, justify="right" if head == "gain" else "left")
    for one in found:
        key, name = one.key, one.name
        for calibration in one.newest:
            gain = f"{calibration.input_gain_db:g} dB"
            grid.add_row(Text(key), Text(name), Text(gain), Text(_full_scale(calibration)))
            key = name = ""  # once for each chain
        if not one.newest:
            grid.add_row(Text(key), Text(name), "", "not calibrated")
    screen().print(grid)


def _full_scale(calibration: Calibration) -> str:
    return (
        f"{calibration.full_scale_dbu:+.2f} dBu ({calibration.full_scale_v_rms:.4g} V RMS) "
        f"± {calibration.expanded_uncertainty_db:.2f} dB"
    )


def _print_calibration(calibration: Calibration) -> None:
    grid = Grid(box=None, padding=(0, 2, 0, 0), pad_edge=False, show_header=False)
    tone = calibration.tone
    if tone is not None:
        grid.add_row("tone", Text(f"{tone.file_name}, {tone.duration_s:.1f} s used, {tone.tone_v_rms:.4g} V RMS"))
        grid.add_row("frequency", f"{tone.frequency_hz:.1f} Hz, steady within {tone.frequency_spread_hz:.2g} Hz")
        grid.add_row("level", f"{tone.rms_dbfs:.2f} dBFS RMS, steady within {tone.stability_db:.2g} dB")
        grid.add_row("distortion", f"{tone.distortion_db:.1f} dB re the tone, noise included")
    grid.add_row("full scale", f"{_full_scale(calibration)} (k = {calibration.coverage_factor:g})")
    grid.add_row("at a gain of", f"{calibration.input_gain_db:g} dB, {calibration.by}")
    for line in calibration.budget:
        grid.add_row("  uncertain by", Text(f"{line.standard_uncertainty_db:.4f} dB  {line.source} (k = 1)"))
    screen().print(grid)


def _print_json(one: Chain | Calibration) -> None:
    click.echo(json.dumps(dict(one.document), ensure_ascii=False))
