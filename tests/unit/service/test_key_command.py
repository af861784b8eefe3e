"""`coilbench-server key`: made, listed, revoked, forgotten; the secret is printed once, and nothing else shows it."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from datetime import datetime, timedelta
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from coilbench_service import access_key
from coilbench_service.command import main
from coilbench_worker.configuration import Configuration
from coilbench_worker.store import keys
from coilbench_worker.store.database import Database
from coilbench_worker.store.instants import now

Run = Callable[..., Result]


@pytest.fixture
def run(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Run:
    """Run `coilbench-server key` with an empty data folder."""
    monkeypatch.setenv("COILBENCH_DATA", str(tmp_path / "data"))

    def command(*arguments: str) -> Result:
        return CliRunner().invoke(main, ["key", *arguments])

    return command


@pytest.fixture
def database(tmp_path: Path) -> Iterator[Database]:
    """The database that the command works on."""
    made = Database(Configuration(data=tmp_path / "data").database)
    yield made
    made.close()


def kept(database: Database, id: str) -> keys.KeyRecord:
    with database.read() as connection:
        record = keys.get(connection, id)
    assert record is not None
    return record


def test_a_key_can_be_made_before_the_first_start_and_is_printed_alone(run: Run, database: Database) -> None:
    result = run("make", "the attic", "--scope", "write", "--days", "90", "--requests-per-minute", "60")
    assert result.exit_code == 0, result.output
    key = access_key.parse(result.stdout.removesuffix("\n"))
    assert key is not None
    assert key.secret not in result.stderr
    assert "COILBENCH_KEY" in result.stderr
    assert len(result.stderr.splitlines()) == 1
    record = kept(database, key.id)
    assert access_key.same(key.secret, record.secret_sha256)
    assert (record.name, record.scopes, record.requests_per_minute) == ("the attic", ("write",), 60)
    assert record.expires is not None
    assert abs(record.expires - now() - timedelta(days=90)) < timedelta(minutes=1)


def test_a_key_reads_unless_more_is_said_and_has_no_end(run: Run, database: Database) -> None:
    result = run("make", "a", "--json")
    made = json.loads(result.stdout)
    record = kept(database, made["id"])
    assert (record.scopes, record.expires) == (("read",), None)
    assert access_key.parse(made["key"]) is not None
    assert "never expires" in result.stderr


def test_the_list_tells_what_became_of_each_key_and_no_secret(run: Run, database: Database) -> None:
    made = [json.loads(run("make", name, "--scope", "admin", "--json").stdout) for name in ("used", "old", "gone")]
    with database.write() as connection:
        keys.touch(connection, made[0]["id"], now())
        keys.change(connection, made[1]["id"], {"expires": now() - timedelta(days=1)})
    assert run("revoke", made[2]["id"]).exit_code == 0
    result = run("list")
    heading, *lines = result.stdout.splitlines()
    assert heading.split("  ")[0] == "id"
    assert [line.split()[:2] for line in lines] == [[key["id"], key["name"]] for key in made]
    for line, word in zip(lines, ("never", "expired", "revoked"), strict=True):
        assert word in line
    assert f"{now():%Y-%m-%d}" in lines[0].split("never")[1]
    listed = json.loads(run("list", "--json").stdout)["items"]
    assert [item["id"] for item in listed] == [key["id"] for key in made]
    assert datetime.fromisoformat(listed[2]["revoked"]) <= now()
    for key in made:
        secret = access_key.parse(key["key"]).secret  # type: ignore[union-attr]
        for text in (result.output, json.dumps(listed)):
            assert secret not in text
            assert access_key.sha256(secret) not in text


def test_an_empty_list_says_how_to_make_the_first_key(run: Run) -> None:
    result = run("list")
    assert (result.exit_code, result.stdout) == (0, "")
    assert "coilbench-server key make" in result.stderr


def test_a_key_that_is_not_there_can_t_be_revoked(run: Run) -> None:
    result = run("revoke", "0" * 16)
    assert result.exit_code == 1
    assert "coilbench-server key list" in result.stderr


def test_a_whole_key_where_its_id_is_wanted_is_bad_usage_and_not_said_back(run: Run) -> None:
    text = access_key.make().text
    result = run("revoke", text)
    assert result.exit_code == 2
    assert text not in result.output


@pytest.mark.parametrize(
    "arguments",
    [
        ["make"],
        ["make", ""],
        ["make", "a\nb"],
        ["make", "x" * 101],
        ["make", "a", "--scope", "root"],
        ["make", "a", "--days", "0"],
    ],
)
def test_what_makes_no_key_is_bad_usage(run: Run, arguments: list[str]) -> None:
    result = run(*arguments)
    assert result.exit_code == 2
    assert result.stdout == ""


def test_keys_that_ended_long_ago_are_forgotten(run: Run, database: Database) -> None:
    made = [json.loads(run("make", name, "--json").stdout)["id"] for name in ("long", "lately", "good")]
    with database.write() as connection:
        keys.change(connection, made[0], {"expires": now() - timedelta(days=91)})
        keys.change(connection, made[1], {"expires": now() - timedelta(days=89)})
    assert run("forget").stdout.startswith("1 key that ended more than 90 days ago")
    assert [item["id"] for item in json.loads(run("list", "--json").stdout)["items"]] == made[1:]
