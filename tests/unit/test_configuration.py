from __future__ import annotations

import os
from pathlib import Path

import pytest

from coilbench_worker.configuration import Configuration, ConfigurationError, load, sources, strangers


@pytest.fixture(autouse=True)
def _no_settings_in_the_environment(monkeypatch: pytest.MonkeyPatch) -> None:
    for name in list(os.environ):
        if name.startswith("COILBENCH_"):
            monkeypatch.delenv(name)


@pytest.fixture
def config_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    path = tmp_path / "coilbench.toml"
    monkeypatch.setenv("COILBENCH_CONFIG", str(path))
    return path


def test_the_embedded_default_keeps_everything_in_the_data_folder(tmp_path: Path) -> None:
    configuration = Configuration(data=tmp_path)
    assert configuration.database == f"sqlite:///{tmp_path}/coilbench.sqlite"
    assert configuration.broker == "memory://"
    assert configuration.embedded
    assert configuration.blobs == str(tmp_path / "audio")
    assert (configuration.host, configuration.port) == ("127.0.0.1", 8080)


def test_the_environment_goes_before_the_file_and_the_file_before_the_default(
    config_file: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    config_file.write_text('workers = 3\nlisten = "127.0.0.1:9000"\n')
    monkeypatch.setenv("COILBENCH_WORKERS", "5")
    configuration = load()
    assert (configuration.workers, configuration.port, configuration.max_attempts) == (5, 9000, 3)
    found = {row.name: row.source for row in sources(configuration)}
    assert found["workers"] == "environment, COILBENCH_WORKERS"
    assert found["listen"] == f"file {config_file}"
    assert found["max_attempts"] == "default"


def test_an_empty_variable_is_an_unset_one(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COILBENCH_BROKER_URL", "")
    configuration = load()
    assert configuration.embedded
    assert {row.name: row.source for row in sources(configuration)}["broker_url"] == "default"


@pytest.mark.parametrize(
    ("variable", "value", "allowed"),
    [
        ("COILBENCH_WORKERS", "many", "a whole number from 1 to 256"),
        ("COILBENCH_WORKERS", "0", "a whole number from 1 to 256"),
        ("COILBENCH_LISTEN", "8080", "ADDRESS:PORT"),
        ("COILBENCH_LISTEN", "127.0.0.1:99999", "ADDRESS:PORT"),
        ("COILBENCH_DATABASE_URL", "mysql://localhost/x", "sqlite:///FILE or postgresql://"),
        ("COILBENCH_DATABASE_URL", "nonsense", "sqlite:///FILE or postgresql://"),
        ("COILBENCH_BROKER_URL", "filesystem://x", "redis://HOST:PORT/NUMBER"),
        ("COILBENCH_MAX_DURATION_S", "-1", "a number of seconds above 0"),
        ("COILBENCH_LOG_LEVEL", "loud", "debug, info, warning, error"),
    ],
)
def test_a_value_that_is_not_allowed_is_named_with_what_is(
    monkeypatch: pytest.MonkeyPatch, variable: str, value: str, allowed: str
) -> None:
    monkeypatch.setenv(variable, value)
    with pytest.raises(ConfigurationError) as caught:
        load()
    message = str(caught.value)
    assert f"{variable} = '{value}'" in message
    assert f"allowed: {allowed}" in message
    assert "\n" not in message
    assert "Input should" not in message
    assert "pattern" not in message


@pytest.mark.parametrize(
    ("variable", "value", "words"),
    [
        ("COILBENCH_WORKERS", "many", "not a whole number"),
        ("COILBENCH_WORKERS", "1.5", "not a whole number"),
        ("COILBENCH_WORKERS", "0", "too small"),
        ("COILBENCH_WORKERS", "257", "too large"),
        ("COILBENCH_LEASE_S", "short", "not a number"),
        ("COILBENCH_LOG_LEVEL", "loud", "not one of what may stand here"),
        ("COILBENCH_LISTEN", "8080", "not an address and a port"),
        ("COILBENCH_DATABASE_URL", "mysql://localhost/x", "mysql is not a database that coilbench works with"),
    ],
)
def test_what_is_wrong_with_a_value_is_said_in_our_words(
    monkeypatch: pytest.MonkeyPatch, variable: str, value: str, words: str
) -> None:
    monkeypatch.setenv(variable, value)
    with pytest.raises(ConfigurationError) as caught:
        load()
    assert str(caught.value).startswith(f"{variable} = '{value}': {words}; allowed: ")


def test_every_wrong_setting_has_a_line_of_its_own(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COILBENCH_WORKERS", "many")
    monkeypatch.setenv("COILBENCH_LEASE_S", "short")
    with pytest.raises(ConfigurationError) as caught:
        load()
    assert [line.split(" = ")[0] for line in str(caught.value).splitlines()] == [
        "COILBENCH_WORKERS",
        "COILBENCH_LEASE_S",
    ]


def test_limits_in_the_wrong_order_are_told_apart(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COILBENCH_SOFT_LIMIT_S", "950")
    with pytest.raises(ConfigurationError, match=r"soft_limit_s = 950 must be below hard_limit_s = 900"):
        load()


def test_an_unknown_name_in_the_file_is_an_error(config_file: Path) -> None:
    config_file.write_text("wrokers = 3\n")
    with pytest.raises(ConfigurationError, match=r"wrokers in the file .*: there is no such setting"):
        load()


def test_a_file_that_is_missing_or_no_toml_is_an_error(config_file: Path) -> None:
    with pytest.raises(ConfigurationError, match=r"COILBENCH_CONFIG = .*: the file can't be read"):
        load()
    config_file.write_text("workers: 3\n")
    with pytest.raises(ConfigurationError, match=r"COILBENCH_CONFIG = .*: not a TOML file"):
        load()


def test_a_variable_that_only_looks_like_a_setting_is_found(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COILBENCH_DATABSE_URL", "sqlite:///x")
    monkeypatch.setenv("COILBENCH_URL", "http://127.0.0.1:8080")
    assert strangers() == ["COILBENCH_DATABSE_URL"]


def test_passwords_are_not_shown(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COILBENCH_DATABASE_URL", "postgresql://shop:secret@db/coilbench")
    shown = {row.name: row.value for row in sources(load())}
    assert shown["database_url"] == "postgresql://shop:***@db/coilbench"
    assert "secret" not in repr(load())
    monkeypatch.setenv("COILBENCH_BROKER_URL", "amqp://shop:secret@mq/")
    with pytest.raises(ConfigurationError) as caught:
        load()
    assert "secret" not in str(caught.value)


def test_every_setting_says_what_it_is_for_and_what_is_allowed() -> None:
    for row in sources(Configuration()):
        assert row.description.endswith(".")
        assert row.allowed


def test_a_folder_of_secrets_that_is_not_there_stops_the_start(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COILBENCH_SECRETS", str(tmp_path / "secretz"))
    with pytest.raises(ConfigurationError, match=r"COILBENCH_SECRETS = .*secretz.*: there is no such folder"):
        load()
