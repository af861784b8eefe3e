"""Runs the demonstration from the first recording to the last word."""

import os
import sys
import urllib.parse
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from coilbench_worker.model.shop import CHAIN, CONDITIONS, PICKUPS, SESSION

from .comparison import DECAY_LIMIT, LEVEL_LIMIT_DB, MILLIVOLT_LIMIT, ONSET_LIMIT_S, Comparison, compare
from .intervals import held_by, holds, level_intervals, true_levels
from .programs import DemoFailed, program, server, typed, typed_program
from .programs import run as run_program
from .questions import get
from .recordings import PICKUP_SHEETS, SESSION_SHEETS, TONE, TONE_V_RMS, Recording, write

HOLDS, FAILED = 0, 1
METER_PERCENT = 1
GAIN_STEP_DB = 0.2


def run(folder: Path) -> int:
    """Write an invented shop's recordings, measure them, and hold the figures against the truth.

    Run twice, it sends nothing twice: the recordings are the same bytes, and the data folder is kept.

    Parameters
    ----------
    folder : gets recordings, pickups.csv, sessions.csv, tone.wav, truth.json, table.xlsx, report.html, server.log
        and data (database and audio); made if not there

    Returns
    -------
    0 when every recording was measured, the spoiled one (and only that) was called unusable, the figures are within the
    limits of the truth, and intervals hold it; else 1. A take called unusable is a finding, not a failure.
    """
    folder = folder.expanduser().absolute()
    try:
        recordings = _write(folder)
        with server(folder / "data", folder / "server.log") as address:
            print(f"\nThe server is up for this run at {address}.", flush=True)
            calibrated = _calibrate(folder, address)
            described = _describe(folder, address)
            sent = _send(folder, address)
            answered = max(_ask(address), _report(folder, address))
            intervals = level_intervals(address)
            measurements = {recording.sha256: _measurement(address, recording) for recording in recordings}
    except DemoFailed as error:
        print(f"coilbench-server demo: {error}", file=sys.stderr)
        return FAILED
    except OSError as error:
        print(f"coilbench-server demo: {error}. Choose another --folder, or make room.", file=sys.stderr)
        return FAILED
    comparison = compare(recordings, measurements)
    _say_truth(comparison)
    held = held_by(intervals, true_levels(folder))
    _say_held(*held)
    _say_spoiled(recordings, measurements)
    _say_further(folder)
    done = calibrated == described == sent == answered == 0
    return HOLDS if done and comparison.holds and holds(*held) else FAILED


def _write(folder: Path) -> list[Recording]:
    print(
        f"An invented shop records its {len(PICKUPS)} invented pickups: strings, coils and hands are a model, so the "
        f"truth is known.",
        flush=True,
    )
    live = sys.stderr.isatty()

    def progress(done: int, of: int) -> None:
        if live:
            print(f"\rrecording {done} of {of}", end="\n" if done == of else "", file=sys.stderr, flush=True)

    recordings = write(folder, progress)
    print(
        f"{len(recordings)} recordings, one of them spoiled on purpose, are in {typed(folder / 'recordings')}",
        flush=True,
    )
    return recordings


def _calibrate(folder: Path, address: str) -> int:
    """The user's own commands, as far as no run before has done it already; the greater exit status."""
    there = next((chain for chain in get(address, "/v1/chains")["items"] if chain["key"] == CHAIN), None)
    if there is not None and there["calibrations"]:
        print(f"\nThe chain {CHAIN} is calibrated already.")
        return 0
    print(f"\nThe shop's input has recorded a tone of {TONE_V_RMS:g} V, so that levels can be read in millivolts:")
    gain = f"{CONDITIONS['input_gain_db']:g}"
    made = 0
    if there is None:
        made = _typed(address, ["chain", "add", CHAIN, "--gain-step-uncertainty-db", f"{GAIN_STEP_DB:g}"])
    tone = folder / TONE
    said = ["--gain", gain, "--volts", f"{TONE_V_RMS:g}", "--uncertainty-percent", f"{METER_PERCENT}"]
    return max(made, _typed(address, ["chain", "calibrate", CHAIN, tone, *said]))


def _describe(folder: Path, address: str) -> int:
    """The user's own commands, which change nothing where they were given before; the greater exit status."""
    print("\nThe data sheets of its pickups, and what all takes of its session share:")
    pickups = _typed(address, ["pickup", "import", folder / PICKUP_SHEETS])
    return max(pickups, _typed(address, ["session", "import", folder / SESSION_SHEETS]))


def _send(folder: Path, address: str) -> int:
    """The user's own command; its exit status."""
    print("\nWhat a user types to have the recordings measured:")
    return _typed(address, ["send", folder / "recordings", "--wait", "-o", folder / "table.xlsx"])


def _ask(address: str) -> int:
    """What the session was recorded for, as a user asks it; the greatest exit status."""
    print("\nIs mill-bridge hotter than harbour-neck, and what does that cost in top?")
    compared = _typed(address, ["compare", "harbour-neck", "mill-bridge", "--quantities", "rms_dbfs,treble_db"])
    print("\nDo battery-powered pickups differ from passive ones?")
    grouped = _typed(address, ["group", "active"])
    print("\nWhat suits somebody who knows quarry-neck and wants it hotter and brighter, with the same bass?")
    wish = ["choose", "quarry-neck", "hot", "bright", "bass_db=same"]
    return max(compared, grouped, _typed(address, [*wish, "--among", "kiln-bridge,ferry-neck,lock-middle"]))


def _report(folder: Path, address: str) -> int:
    """The user's own command; its exit status."""
    print("\nWhat the session found, to be handed over:")
    return _typed(address, ["report", "--session", SESSION, "-o", folder / "report.html"])


def _typed(address: str, words: Sequence[str | Path]) -> int:
    """Print a command of the client as it is typed, run it, and give its exit status."""
    shown = [typed(word) if isinstance(word, Path) else word for word in words]
    print(f"\n    {' '.join([typed_program('coilbench'), *shown])}\n", flush=True)
    return run_program([program("coilbench"), *map(str, words)], address)


def _measurement(address: str, recording: Recording) -> dict[str, Any] | None:
    """Measurement of the take with this recording's bytes, over HTTP; None when it was not measured."""
    page = get(address, f"/v1/takes?{urllib.parse.urlencode({'sha256': recording.sha256, 'state': 'measured'})}")
    return get(address, f"{page['items'][-1]['links']['measurement']}") if page["items"] else None


def _say_truth(comparison: Comparison) -> None:
    print("\nTruth against measurement, greatest error over the good takes:\n")
    rows = (
        (
            "level difference between takes",
            f"{comparison.level_error_db:.3f} dB",
            f"{LEVEL_LIMIT_DB:g} dB",
            f"{comparison.compared_differences} takes from the first",
        ),
        (
            "millivolts of a strum at the input",
            f"{comparison.millivolt_error:.1%}",
            f"{MILLIVOLT_LIMIT:.0%}",
            f"{comparison.compared_millivolts} strums",
        ),
        (
            "decay",
            f"{comparison.decay_error:.1%}",
            f"{DECAY_LIMIT:.0%}",
            f"{comparison.compared_decays} strums",
        ),
        (
            "onset",
            f"{comparison.onset_error_s * 1000:.1f} ms",
            f"{ONSET_LIMIT_S * 1000:g} ms",
            f"{comparison.compared_strums} strums",
        ),
    )
    for what, error, limit, count in rows:
        print(f"    {what:<34}{error:>10}   promised {limit:<7} {count}")
    for fault in comparison.faults:
        print(f"    Not right: {fault}")
    if not comparison.holds:
        print("\n    The measurement does not keep what it promises here. Please report this with server.log.")


def _say_held(held: int, compared: int) -> None:
    print(
        f"\n    The true difference of level lies in the 95 % interval of {held} of {compared} pairs of pickups.\n"
        "    (Pairs of one session share their takes, and stray together.)"
    )


def _say_spoiled(recordings: Sequence[Recording], measurements: dict[str, dict[str, Any] | None]) -> None:
    for recording in recordings:
        measurement = measurements[recording.sha256]
        if recording.spoiled and measurement is not None and not measurement["usable"]:
            print(f"\nThe spoiled take, {recording.file}, was measured and called unusable:\n")
            for check in measurement["checks"]:
                print(f"    {check['severity']:<9}{check['message']}")


def _say_further(folder: Path) -> None:
    address = "http://127.0.0.1:8080"
    data = folder / "data"
    server_program = typed_program("coilbench-server")
    up = f"set COILBENCH_DATA={data}\n    {server_program} up"
    if os.name != "nt":
        up = f"COILBENCH_DATA={typed(data)} {server_program} up"
    print(
        f"\nTo look further, open {typed(folder / 'report.html')} and {typed(folder / 'table.xlsx')}, or start the\n"
        f"server on this data, in this folder:\n\n"
        f"    {up}\n\n"
        f"and open {address}/ in a browser, or in another terminal, in the same folder\n\n"
        f"    {typed_program('coilbench')} table\n"
        f"    curl '{address}/v1/takes?pickup=mill-bridge'\n"
        f"    curl '{address}/v1/table?per=strum&format=csv'\n"
        f"    curl '{address}/v1/quantities'\n"
    )
