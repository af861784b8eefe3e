"""10,000 mutated files through the reading path, in a child process with a limit on memory and time.

Each is refused with a type and for a reason that holds, or measured, and then samples, length and levels are those that
an independent reader finds in the file (literal_reader.py). A seed that fails is named; `mutant(SEED)` makes its file.
"""

from __future__ import annotations

import io
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
import soundfile

from faults.hostile import BOUNDS, KEEP_BYTES, Died, ReadingProcess, run, wrong
from faults.literal_reader import read
from material.mutation import Mutant, mutant
from material.valid_files import ChunkFile, valid_files

FILES = 10_000
PARTS = 20
MOST_MB = 100.0  # above the imports; 2 million samples take 16 MB, the surveys and windows of measuring the rest

# Seed, file, mutation, and what the program made of it before.
ONCE_WRONG = [
    (36, "flac part", "bomb", "millions of samples behind a small promise were passed over in silence"),
    (38, "flac tagged", "junk between frames", "junk behind the last frame cost the last 32 samples"),
    (49, "flac unknown", "frames renumbered", "a gap in the numbers was passed over"),
    (89, "flac unknown", "frame resealed", "a frame that is not the next one was taken for it"),
    (99, "flac variable", "frames renumbered", "searching led to another place than reading on"),
    (100, "flac part", "frames moved", "frames in another order were joined"),
    (129, "aifc sowt", "field", "COMM promises more than SSND holds, and nothing was said"),
    (134, "flac 24", "foreign frames", "frames of another stream were joined"),
    (135, "flac 8", "foreign frames", "frames of another form were measured at that of STREAMINFO"),
    (141, "flac unknown", "STREAMINFO", "a wrong rate in STREAMINFO was believed against all frames"),
    (150, "flac 16 of five", "metadata", "refused for damaged comments that nothing needs"),
    (254, "flac 16 of five", "frames moved", "searching led to the second of two equal numbers"),
    (664, "flac 16", "head bytes", "refused for block sizes in STREAMINFO that nothing needs"),
    (1141, "flac unknown", "frame resealed, bits", "a last frame without a readable header went unnoticed"),
]


@pytest.mark.parametrize("part", range(PARTS))
def test_each_mutated_file_is_refused_by_a_typed_error_or_measured_rightly(part: int) -> None:
    size = FILES // PARTS
    tally = run(range(part * size, (part + 1) * size))
    print(f"\n{dict(sorted(tally.outcomes.items()))}")
    print(f"most memory {tally.most_mb[0]:.0f} MB, {tally.most_mb[1]}")
    print(f"slowest {tally.slowest_s[0]:.3f} s, {tally.slowest_s[1]}")
    assert not tally.complaints, "\n".join(tally.complaints)
    assert tally.deaths == 0
    assert tally.outcomes.total() == size
    assert tally.most_mb[0] < MOST_MB
    for name in {name.split()[0] for name in valid_files()}:
        assert {outcome for found, outcome, _ in tally.outcomes if found == name} >= {"measured", "refused"}, name


@pytest.fixture(scope="module")
def process() -> Any:
    found = ReadingProcess()
    yield found
    found.close()


@pytest.mark.xdist_group("hostile")
@pytest.mark.parametrize("keep_bytes", KEEP_BYTES, ids=["in memory", "from disk"])
@pytest.mark.parametrize(
    "case", ONCE_WRONG, ids=[f"{seed} {file}, {mutation}" for seed, file, mutation, _ in ONCE_WRONG]
)
def test_a_file_that_once_went_wrong_goes_right(
    process: ReadingProcess, case: tuple[int, str, str, str], keep_bytes: int
) -> None:
    seed, file, mutation, was = case
    made = mutant(seed)
    assert (made.file, made.mutation) == (file, mutation), "the seeds give other files now: look for one that fits"
    assert wrong(made, process.outcome(made.data, keep_bytes)) is None, was


@pytest.mark.xdist_group("hostile")
def test_every_valid_file_is_measured_with_its_one_strum(process: ReadingProcess) -> None:
    """And the reader of the tests agrees, and libsndfile's own parser: so what it says of mutants means something."""
    for name, file in valid_files().items():
        data = file.assembled()
        answer = process.outcome(data, KEEP_BYTES[0])
        assert answer["outcome"] == "measured", name
        onset_s = 0.0 if name == "flac part" else 0.1
        assert [round(strum["onset_s"], 1) for strum in answer["document"]["strums"]] == [onset_s], name
        assert wrong(Mutant(0, name, "none", data), answer) is None, name
        if name in ("flac part", "flac unknown"):  # which libsndfile can't search, or read at once
            continue
        theirs, rate_hz = soundfile.read(io.BytesIO(data), always_2d=True)
        ours = read(data, BOUNDS)
        assert (rate_hz, ours.truncated) == (ours.rate_hz, False), name
        assert np.array_equal(theirs, ours.samples), name


@pytest.mark.xdist_group("hostile")
def test_numbers_just_short_of_absurd_are_measured(process: ReadingProcess) -> None:
    """1e12 of full scale is the greatest that passes; its square swamps a running sum (found as seed 11247)."""
    file = valid_files()["wav float64"]
    assert isinstance(file, ChunkFile)
    rng = np.random.default_rng(11_247)
    for count in (1, 2, 3) * 8:
        body = np.frombuffer(file.chunks[-1].body, "<f8").copy()
        body[rng.integers(len(body), size=count)] = rng.choice((1e12, -1e12), size=count)
        chunks = (*file.chunks[:-1], replace(file.chunks[-1], body=body.tobytes()))
        data = replace(file, chunks=chunks).assembled()
        answer = process.outcome(data, KEEP_BYTES[0])
        assert answer["outcome"] in ("measured", "unmeasurable"), answer
        assert wrong(Mutant(0, "wav float64", "absurd", data), answer) is None


@pytest.mark.xdist_group("hostile")
def test_the_judge_notices_every_kind_of_wrong_answer(process: ReadingProcess) -> None:
    data = valid_files()["wav 24"].assembled()
    made = Mutant(0, "wav 24", "none", data)
    right = process.outcome(data, KEEP_BYTES[0])
    strum = right["document"]["strums"][0]
    louder = strum | {"quantities": strum["quantities"] | {"peak_dbfs": strum["quantities"]["peak_dbfs"] + 0.001}}
    lies: list[dict[str, Any]] = [
        {"outcome": "refused", "code": "damaged-header"},
        {"outcome": "unmeasurable", "code": "too-short"},
        {"outcome": "unmeasurable", "code": "not-finite"},
        {"outcome": "unmeasurable", "code": "channel-choice"},
        {"outcome": "fault", "trace": "Traceback"},
        {"digest": "0" * 64},
        {"frames": right["frames"] - 1},
        {"rate_hz": 44_100},
        {"truncated": True},
        {"accepted": False, "arrival": "no-samples"},
        {"document": right["document"] | {"strums": [louder]}},
        {"document": right["document"] | {"strums": []}},
        {"document": right["document"] | {"audio": right["document"]["audio"] | {"duration_s": 0.7}}},
    ]
    assert wrong(made, right) is None
    assert [lie for lie in lies if wrong(made, right | lie) is None] == []
    empty = Mutant(0, "wav 24", "none", data[:40])
    assert wrong(empty, right) is not None
    assert wrong(empty, right | {"outcome": "refused", "code": "too-long"}) is not None


@pytest.mark.xdist_group("hostile")
def test_a_child_that_dies_is_noticed_and_another_takes_its_place() -> None:
    process = ReadingProcess()
    data = valid_files()["aiff 16"].assembled()
    assert process.outcome(data, KEEP_BYTES[0])["outcome"] == "measured"
    assert process.child is not None
    process.child.kill()
    with pytest.raises(Died, match="exit code -9"):
        process.outcome(data, KEEP_BYTES[0])
    assert process.outcome(data, KEEP_BYTES[0])["outcome"] == "measured"
    process.close()


def test_a_seed_gives_the_same_file_every_time() -> None:
    valid_files.cache_clear()
    before = [mutant(seed).data for seed in range(100)]
    valid_files.cache_clear()
    assert [mutant(seed).data for seed in range(100)] == before
    assert len(read(valid_files()["flac 16"].assembled(), BOUNDS).samples) == 12_000
