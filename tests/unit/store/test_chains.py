"""Chains and their calibrations on both databases, and recordings that takes and calibrations share."""

from __future__ import annotations

import pytest
from sqlalchemy import func, select
from sqlalchemy.exc import IntegrityError

from arrivals import arrive
from coilbench_worker import jobs
from coilbench_worker.store import chains, files, idempotency
from coilbench_worker.store.blobs import Blobs
from coilbench_worker.store.chains import CalibrationRecord, ChainRecord
from coilbench_worker.store.database import Database
from coilbench_worker.store.schema import metadata

BUDGET = [{"source": "stated", "standard_uncertainty_db": 0.15, "degrees_of_freedom": None}]
TONE = {"frequency_hz": 1000.0, "rms_dbfs": -12.0}


def added(database: Database, key: str = "desk", **values: object) -> ChainRecord:
    with database.write() as connection:
        chain = chains.add(connection, key, **values)  # type: ignore[arg-type]
    assert chain is not None
    return chain


def stated(database: Database, chain: ChainRecord, gain_db: float = 20.0, volts: float = 1.2) -> CalibrationRecord:
    with database.write() as connection:
        assert chains.lock(connection, chain.key)
        return chains.calibrate(
            connection, chain.id, input_gain_db=gain_db, by="stated", full_scale_v_rms=volts, budget=BUDGET
        )


def with_tone(database: Database, blobs: Blobs, chain: ChainRecord, content: bytes) -> CalibrationRecord:
    with blobs.incoming() as incoming:
        incoming.write(content)
        incoming.seal()
        with database.write() as connection:
            return chains.calibrate(
                connection,
                chain.id,
                input_gain_db=11.0,
                by="tone",
                full_scale_v_rms=1.5,
                budget=BUDGET,
                tone=TONE,
                file=incoming,
                file_name="tone.wav",
            )


def read(database: Database, key: str = "desk") -> ChainRecord | None:
    with database.read() as connection:
        return chains.get(connection, key)


def counted(database: Database) -> dict[str, int]:
    with database.read() as connection:
        return {
            name: connection.execute(select(func.count()).select_from(table)).scalar_one()
            for name, table in metadata.tables.items()
            if name != "installation"
        }


def test_a_chain_is_read_as_it_was_added(database: Database) -> None:
    chain = added(database, "Tisch Ω", name="The desk", notes="left input", gain_step_uncertainty_db=0.1)
    assert read(database, "Tisch Ω") == chain
    assert (chain.name, chain.notes, chain.gain_step_uncertainty_db) == ("The desk", "left input", 0.1)
    assert chain.calibrations == ()
    assert read(database, "tisch ω") is None


def test_a_key_belongs_to_one_chain(database: Database) -> None:
    first = added(database, name="first")
    with database.write() as connection:
        assert chains.add(connection, "desk", name="second") is None
    assert read(database) == first


def test_calibrations_are_listed_oldest_first_and_read_back_exactly(database: Database) -> None:
    chain = added(database)
    first, second = stated(database, chain, 20.0, 1.2), stated(database, chain, 20.0, 0.1 + 0.2)
    found = read(database)
    assert found is not None
    assert found.calibrations == (first, second)
    assert (first.budget, first.tone, first.file, first.by) == (BUDGET, None, None, "stated")
    assert second.full_scale_v_rms == 0.1 + 0.2
    assert found.updated > chain.updated


def test_all_chains_come_by_key_each_with_its_own_calibrations(database: Database, blobs: Blobs) -> None:
    desk, box = added(database), added(database, "box")
    added(database, "bare")
    one, two = stated(database, desk), with_tone(database, blobs, box, b"tone")
    with database.read() as connection:
        found = chains.by_key(connection)
    assert {key: chain.calibrations for key, chain in found.items()} == {"desk": (one,), "box": (two,), "bare": ()}


def test_pages_of_chains_lead_to_the_next_and_together_they_are_all(database: Database) -> None:
    keys = [added(database, f"chain {number}").key for number in range(5)]
    seen: list[str] = []
    cursor = None
    sizes = []
    with database.read() as connection:
        while True:
            page = chains.page(connection, 2, cursor)
            seen += [chain.key for chain in page.items]
            sizes.append(len(page.items))
            if (cursor := page.next) is None:
                break
    assert (seen, sizes) == (keys, [2, 2, 1])


def test_a_change_leaves_the_rest_as_it_was(database: Database) -> None:
    added(database, name="old", notes="kept")
    with database.write() as connection:
        changed = chains.change(connection, "desk", {"name": None, "gain_step_uncertainty_db": 0.2})
        assert chains.change(connection, "no-such-chain", {"name": "x"}) is None
    assert changed is not None
    assert (changed.name, changed.notes, changed.gain_step_uncertainty_db) == (None, "kept", 0.2)


def test_a_deleted_chain_leaves_nothing_behind(database: Database, blobs: Blobs) -> None:
    chain = added(database)
    stated(database, chain)
    toned = with_tone(database, blobs, chain, b"tone")
    with database.write() as connection:
        assert idempotency.remember(connection, "a", "0" * 64, 201, {}, chain_id=chain.id)
        assert idempotency.remember(connection, "b", "0" * 64, 201, {}, calibration_id=toned.id)
    assert toned.file is not None
    assert blobs.exists(toned.file.blob)
    assert chains.remove(database, blobs, chain.key)
    assert not blobs.exists(toned.file.blob)
    assert set(counted(database).values()) == {0}
    assert not chains.remove(database, blobs, chain.key)


def test_calibration_and_chain_are_deleted_though_their_tones_can_not_be_now(
    database: Database, blobs: Blobs, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(_: object, key: str) -> None:
        raise OSError(f"{key} is out of reach")

    chain = added(database)
    first, second = (with_tone(database, blobs, chain, tone) for tone in (b"first", b"second"))
    assert first.file is not None
    assert second.file is not None
    with monkeypatch.context() as away:
        away.setattr(Blobs, "delete", refuse)
        assert chains.remove_calibration(database, blobs, first.id)
        assert chains.remove(database, blobs, chain.key)
    assert counted(database) | {"chains": 0, "calibrations": 0, "files": 2} == counted(database)
    assert files.drop_unused(database, blobs) == 2
    assert not blobs.exists(first.file.blob)
    assert not blobs.exists(second.file.blob)


def test_a_chain_is_deleted_only_in_the_state_that_was_asked_for(database: Database, blobs: Blobs) -> None:
    """What is asked is held against the locked chain: a calibration that came since the caller looked is not lost."""
    calibration = stated(database, added(database))
    seen: list[ChainRecord] = []

    def refuse(chain: ChainRecord) -> None:
        seen.append(chain)
        raise ValueError("not in this state")

    with pytest.raises(ValueError, match="not in this state"):
        chains.remove(database, blobs, "desk", refuse)
    (shown,) = seen
    assert (shown.key, shown.calibrations) == ("desk", (calibration,))
    assert read(database) == shown


def test_a_deleted_calibration_takes_its_tone_and_its_remembered_answer_along(database: Database, blobs: Blobs) -> None:
    chain = added(database)
    kept, gone = stated(database, chain), with_tone(database, blobs, chain, b"tone")
    with database.write() as connection:
        assert idempotency.remember(connection, "b", "0" * 64, 201, {}, calibration_id=gone.id)
    assert chains.remove_calibration(database, blobs, gone.id)
    assert not chains.remove_calibration(database, blobs, gone.id)
    assert counted(database) | {"chains": 1, "calibrations": 1, "files": 0, "idempotency": 0} == counted(database)
    found = read(database)
    assert found is not None
    assert found.calibrations == (kept,)


def test_a_take_that_is_deleted_leaves_the_recording_to_the_calibration_that_is_it_too(
    database: Database, blobs: Blobs
) -> None:
    take = arrive(database, blobs, b"the same bytes")
    toned = with_tone(database, blobs, added(database), b"the same bytes")
    assert toned.file is not None
    assert toned.file.blob == take.blob
    assert jobs.remove(database, blobs, take.id)
    assert files.drop_unused(database, blobs) == 0
    with blobs.open(toned.file.blob) as file:
        assert file.read() == b"the same bytes"
    assert chains.remove_calibration(database, blobs, toned.id)
    assert not blobs.exists(take.blob)


def test_a_calibration_that_is_deleted_leaves_the_recording_to_the_take_that_is_it_too(
    database: Database, blobs: Blobs
) -> None:
    chain = added(database)
    toned = with_tone(database, blobs, chain, b"the same bytes")
    take = arrive(database, blobs, b"the same bytes")
    assert chains.remove_calibration(database, blobs, toned.id)
    assert blobs.exists(take.blob)
    again = with_tone(database, blobs, chain, b"the same bytes")
    assert again.file is not None
    assert chains.remove(database, blobs, chain.key)
    assert blobs.exists(take.blob)
    assert jobs.remove(database, blobs, take.id)
    assert not blobs.exists(take.blob)


def test_a_calibration_needs_its_chain(database: Database) -> None:
    with pytest.raises(IntegrityError), database.write() as connection:
        chains.calibrate(connection, "no", input_gain_db=0, by="stated", full_scale_v_rms=1, budget=[])
