from __future__ import annotations

from datetime import timedelta

import pytest

from arrivals import arrive
from coilbench_worker import jobs
from coilbench_worker.store import measurements, takes
from coilbench_worker.store.blobs import Blobs
from coilbench_worker.store.database import Database
from coilbench_worker.store.takes import TakeFilter


def ids(database: Database, **chosen: object) -> list[str]:
    with database.read() as connection:
        return [take.id for take in takes.each(connection, TakeFilter(**chosen))]  # type: ignore[arg-type]


def test_a_page_leads_to_the_next_and_together_they_are_all(database: Database, blobs: Blobs) -> None:
    arrived = [arrive(database, blobs, str(number).encode()).id for number in range(7)]
    seen: list[str] = []
    cursor = None
    sizes = []
    with database.read() as connection:
        while True:
            page = takes.page(connection, TakeFilter(), 3, cursor)
            seen += [take.id for take in page.items]
            sizes.append(len(page.items))
            if page.next is None:
                break
            cursor = page.next
    assert seen == arrived
    assert sizes == [3, 3, 1]


def test_the_newest_come_first_when_they_are_asked_for_so(database: Database, blobs: Blobs) -> None:
    arrived = [arrive(database, blobs, str(number).encode()).id for number in range(5)]
    with database.read() as connection:
        first = takes.page(connection, TakeFilter(), 3, newest_first=True)
        rest = takes.page(connection, TakeFilter(), 3, first.next, newest_first=True)
    assert [take.id for take in (*first.items, *rest.items)] == arrived[::-1]
    assert rest.next is None


def test_a_page_that_ends_with_the_last_take_has_no_next(database: Database, blobs: Blobs) -> None:
    for number in range(3):
        arrive(database, blobs, str(number).encode())
    with database.read() as connection:
        assert takes.page(connection, TakeFilter(), 3).next is None


def test_filters_hold_together(database: Database, blobs: Blobs) -> None:
    a = arrive(database, blobs, b"1", about={"pickup": "mill-bridge", "session": "monday", "chain": 'Tisch "Ω"'})
    b = arrive(database, blobs, b"2", about={"pickup": "mill-bridge", "session": "friday"})
    c = arrive(database, blobs, b"3", about={"pickup": "harbour-neck", "session": "friday"})
    assert ids(database, pickup="mill-bridge") == [a.id, b.id]
    assert ids(database, pickup="mill-bridge", session="friday") == [b.id]
    assert ids(database, sha256=c.sha256) == [c.id]
    assert ids(database, chain='Tisch "Ω"') == [a.id]
    assert ids(database, chain="Tisch") == []
    assert ids(database, id=(a.id, c.id)) == [a.id, c.id]
    assert ids(database, since=c.created) == [c.id]
    assert ids(database, since=c.created + timedelta(hours=1)) == []
    assert ids(database, state=("waiting", "measured")) == [a.id, b.id, c.id]
    assert ids(database, state=("measured",)) == []
    with database.read() as connection:
        assert takes.count(connection, TakeFilter(session="friday")) == 2
        assert takes.counts(connection) == {
            "waiting": 3,
            "measuring": 0,
            "measured": 0,
            "rejected": 0,
            "failed": 0,
        }


def test_a_new_description_changes_the_filters_and_nothing_measured(database: Database, blobs: Blobs) -> None:
    take = arrive(database, blobs, about={"pickup": "mill-bridge", "label": "one"})
    with database.write() as connection:
        changed = takes.update_about(connection, take.id, {"pickup": "harbour-neck", "notes": ["x", {"y": None}]})
        assert takes.update_about(connection, "no-such-take", {}) is None
    assert changed is not None
    assert changed.about == {"pickup": "harbour-neck", "notes": ["x", {"y": None}]}
    assert changed.updated > take.updated
    assert (changed.state, changed.job_id) == ("waiting", take.job_id)
    assert ids(database, pickup="mill-bridge") == []
    assert ids(database, pickup="harbour-neck") == [take.id]


@pytest.mark.parametrize("text", ["with\x00nul", "half a pair \ud800", "plain", "ünïcødé 🎸", ""])
def test_any_text_can_be_kept_and_filtered_by(database: Database, blobs: Blobs, text: str) -> None:
    take = arrive(database, blobs, file_name=text, about={"session": text, "notes": text})
    assert ids(database, session=text) == [take.id]
    assert take.about["notes"] == text


def test_a_take_that_is_not_there_is_none(database: Database) -> None:
    with database.read() as connection:
        assert takes.get(connection, "no-such-take") is None
        assert measurements.current(connection, "no-such-take") is None


def test_takes_come_with_their_current_measurement(
    database: Database, blobs: Blobs, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(measurements, "PAGE_OF_DOCUMENTS", 2)
    arrived = [arrive(database, blobs, str(number).encode()) for number in range(5)]
    for take in arrived[::2]:
        assert take.job_id is not None
        held = jobs.claim(database, take.job_id, "node/1", lease_s=60, max_attempts=3)
        assert held is not None
        jobs.finish(database, held, {"version": "1", "of": take.id})
    with database.read() as connection:
        found = list(measurements.each_with_take(connection, TakeFilter()))
    assert [take.id for take, _ in found] == [take.id for take in arrived]
    assert [made and made.document["of"] for _, made in found] == [
        arrived[0].id,
        None,
        arrived[2].id,
        None,
        arrived[4].id,
    ]


def test_the_state_alone_is_that_of_the_take_and_none_when_it_is_gone(database: Database, blobs: Blobs) -> None:
    take = arrive(database, blobs, b"1")
    with database.write() as connection:
        assert takes.state(connection, take.id) == "waiting"
        takes.delete(connection, take.id)
        assert takes.state(connection, take.id) is None
