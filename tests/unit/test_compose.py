"""No container engine is needed for these: what Dockerfile and docker-compose.yml name has to exist here."""

import importlib.util
import json
import re
from pathlib import Path
from typing import Any

import pytest
import yaml

from coilbench_service.command import main
from coilbench_worker.configuration import FILE_VARIABLE, PREFIX, Configuration

ROOT = Path(__file__).parents[2]
COMPOSE = (ROOT / "docker-compose.yml").read_text("utf-8")
DOCKERFILE = (ROOT / "Dockerfile").read_text("utf-8")
SERVICES: dict[str, dict[str, Any]] = yaml.safe_load(COMPOSE)["services"]
OWN = [name for name, service in SERVICES.items() if service["image"] == "coilbench"]
KNOWN_SETTINGS = {PREFIX + name.upper() for name in Configuration.model_fields} | {FILE_VARIABLE}


def _image_command() -> list[str]:
    text = DOCKERFILE[DOCKERFILE.rindex("\nCMD ") + 5 :].replace("\\\n", "")
    return list(json.loads(text.splitlines()[0]))


def test_every_part_of_the_service_is_there() -> None:
    assert set(SERVICES) == {"redis", "postgres", "migrate", "api", "worker"}
    assert set(OWN) == {"migrate", "api", "worker"}


@pytest.mark.parametrize("name", OWN)
def test_a_command_is_a_verb_of_the_server_or_an_app_that_can_be_imported(name: str) -> None:
    command = SERVICES[name].get("command", _image_command())
    if command[0] == "coilbench-server":
        assert command[1] in main.commands
        assert len(command) == 2
    else:
        assert command[0] == "gunicorn"
        module, _, attribute = command[-1].partition(":")
        spec = importlib.util.find_spec(module)
        assert spec is not None
        assert spec.origin is not None
        assert re.search(rf"^{attribute}\b.*=", Path(spec.origin).read_text("utf-8"), re.M)


@pytest.mark.parametrize("name", OWN)
def test_the_environment_holds_settings_that_exist_with_values_that_are_allowed(
    name: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    environment = {
        key: re.sub(r"\$\{[^}]*\}", "secret", str(value)) for key, value in SERVICES[name]["environment"].items()
    }
    assert set(environment) <= KNOWN_SETTINGS
    for key, value in environment.items():
        monkeypatch.setenv(key, value)
    configuration = Configuration()
    assert not configuration.embedded
    assert configuration.database.startswith("postgresql://")


def test_settings_of_the_image_exist() -> None:
    assert set(re.findall(rf"\b{PREFIX}[A-Z_]+(?==)", DOCKERFILE)) <= KNOWN_SETTINGS


def test_redis_keeps_its_queue_and_evicts_nothing() -> None:
    command = " ".join(SERVICES["redis"]["command"])
    assert "--appendonly yes" in command
    assert "--maxmemory-policy noeviction" in command


def test_nothing_listens_beyond_this_machine() -> None:
    ports = [port for service in SERVICES.values() for port in service.get("ports", [])]
    assert ports == ["127.0.0.1:8080:8080"]


@pytest.mark.parametrize("name", ["redis", "postgres", "api", "worker"])
def test_a_part_that_runs_on_has_bounds_and_comes_back(name: str) -> None:
    service = SERVICES[name]
    assert {"cpus", "memory"} <= set(service["deploy"]["resources"]["limits"])
    assert service["restart"] == "unless-stopped"


def test_parts_wait_for_what_they_need() -> None:
    for service in SERVICES.values():
        for needed, how in service.get("depends_on", {}).items():
            healthy = "healthcheck" in SERVICES[needed]
            expected = "service_completed_successfully" if needed == "migrate" else "service_healthy"
            assert how == {"condition": expected}
            assert healthy or needed == "migrate"


def test_the_stop_grace_is_longer_than_a_worker_takes_to_hand_back() -> None:
    grace_s = int(SERVICES["worker"]["stop_grace_period"].removesuffix("s"))
    assert grace_s > Configuration.model_fields["stop_within_s"].default


def test_volumes_that_are_mounted_are_declared() -> None:
    declared = set(yaml.safe_load(COMPOSE)["volumes"])
    mounted = {volume.partition(":")[0] for service in SERVICES.values() for volume in service.get("volumes", [])}
    assert mounted == declared


def test_the_image_runs_as_an_unprivileged_user_and_is_built_from_files_that_are_let_in() -> None:
    assert re.search(r"^USER coilbench$", DOCKERFILE, re.M)
    let_in = {line[1:] for line in (ROOT / ".dockerignore").read_text("utf-8").splitlines() if line.startswith("!")}
    copied = {source for line in re.findall(r"^COPY (?!--from)(.*)$", DOCKERFILE, re.M) for source in line.split()[:-1]}
    assert copied == let_in
    assert all((ROOT / source).exists() for source in copied)


@pytest.mark.parametrize("text", [COMPOSE, DOCKERFILE], ids=["docker-compose.yml", "Dockerfile"])
def test_no_address_of_a_registry_is_written_down(text: str) -> None:
    assert not re.search(r"https?://(?!127\.0\.0\.1)|index-url|[a-z0-9-]+\.(io|org|com)/", text)
