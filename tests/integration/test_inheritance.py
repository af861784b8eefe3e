"""Takes inherit from session, pickup and chain over HTTP, and are measured again when an inherited setting changes."""

from __future__ import annotations

from typing import Any

from http_recordings import strums_wav
from http_service import Service

GOOD = strums_wav()


def take_of(service: Service, take: dict[str, Any]) -> dict[str, Any]:
    document: dict[str, Any] = service.client.get(take["links"]["self"]).json
    return document


def settings_of(service: Service, take: dict[str, Any]) -> dict[str, Any]:
    document: dict[str, Any] = service.client.get(take["links"]["measurement"]).json["settings"]
    return document


def posted(service: Service, address: str, **body: Any) -> dict[str, Any]:
    answer = service.client.post(address, json=body)
    assert answer.status_code == 201, answer.text
    document: dict[str, Any] = answer.json
    return document


def test_the_take_goes_before_its_session_and_that_before_pickup_and_chain(service: Service) -> None:
    sent = {"session": "s", "pickup": "p", "pick": "0.7 mm", "extra": {"room": "own"}}
    take = service.sent(GOOD, about=sent)
    assert (take["about"], take["described"], take["inherited"]) == (sent, sent, {})
    posted(service, "/v1/chains", key="desk", cable="6 m", input_gain_db=20)
    posted(service, "/v1/pickups", key="p", position="neck", guitar="of the pickup", battery_v=9, turns=8000)
    conditions = {"chain": "desk", "guitar": "of the session", "pick": "1.0 mm", "room": "theirs", "lamp": "off"}
    posted(service, "/v1/sessions", key="s", conditions=conditions)
    shown = take_of(service, take)
    assert shown["about"] == sent
    assert shown["described"] == {
        "session": "s",
        "pickup": "p",
        "chain": "desk",
        "guitar": "of the session",
        "position": "neck",
        "pick": "0.7 mm",
        "input_gain_db": 20,
        "battery_v": 9,
        "cable": "6 m",
        "extra": {"room": "own", "lamp": "off"},
    }
    assert shown["inherited"] == {
        "chain": "session",
        "guitar": "session",
        "extra.lamp": "session",
        "position": "pickup",
        "battery_v": "pickup",
        "cable": "chain",
        "input_gain_db": "chain",
    }
    assert service.client.get("/v1/takes").json["items"] == [shown]
    for address in ("/v1/sessions/s", "/v1/pickups/p", "/v1/chains/desk"):
        assert service.client.delete(address).status_code == 204
    assert take_of(service, take)["described"] == sent


def test_checks_tables_and_the_chain_filter_heed_what_is_inherited(service: Service) -> None:
    take = service.measured(GOOD, about={"session": "s"})
    other = service.measured(GOOD, about={"session": "s", "chain": "box"})
    measurement = take["links"]["measurement"]
    codes = [check["code"] for check in service.client.get(measurement).json["checks"]]
    assert "gain-unknown" in codes
    posted(service, "/v1/sessions", key="s", conditions={"chain": "desk", "input_gain_db": 20, "guitar": "plank"})
    codes = [check["code"] for check in service.client.get(measurement).json["checks"]]
    assert "gain-unknown" not in codes
    assert "gain-uncalibrated" in codes
    rows = service.client.get("/v1/table?quantities=rms_dbfs").json["items"]
    assert [(row["chain"], row["guitar"]) for row in rows] == [("desk", "plank"), ("box", "plank")]
    for chain, found in (("desk", take), ("box", other)):
        items = service.client.get(f"/v1/takes?chain={chain}").json["items"]
        assert [item["id"] for item in items] == [found["id"]]


def test_only_takes_that_inherit_another_setting_are_measured_again(service: Service) -> None:
    inherits = service.measured(GOOD, about={"session": "s"})
    states = service.measured(GOOD, about={"session": "s", "expected_strums": 3})
    stranger = service.measured(GOOD, about={"session": "t"})
    session = posted(service, "/v1/sessions", key="s", conditions={"expected_strums": 5})
    takes = (inherits, states, stranger)
    assert [take_of(service, take)["state"] for take in takes] == ["waiting", "measured", "measured"]
    service.work()
    assert [settings_of(service, take)["expected_strums"] for take in takes] == [5, 3, None]
    here = session["links"]["self"]
    assert service.client.patch(here, json={"conditions": {"pick": "1.0 mm"}}).status_code == 200
    assert [take_of(service, take)["state"] for take in takes] == ["measured"] * 3
    table = b"key,expected_strums\ns,6\nt,7\n"
    answer = service.client.post("/v1/sessions", data=table, content_type="text/csv")
    assert answer.json == {"made": 1, "changed": 1, "unchanged": 0, "measured_again": 2}
    service.work()
    assert [settings_of(service, take)["expected_strums"] for take in takes] == [6, 3, 7]
    assert service.client.delete(here).status_code == 204
    service.work()
    assert [settings_of(service, take)["expected_strums"] for take in takes] == [None, 3, 7]


def test_a_take_arrives_with_the_settings_of_its_session_and_changes_them_with_it(service: Service) -> None:
    posted(service, "/v1/sessions", key="left", conditions={"channel": 1})
    posted(service, "/v1/sessions", key="right", conditions={"channel": 2})
    take = service.sent(GOOD, about={"session": "left"})
    here = take["links"]["self"]
    with service.bench.database.read() as connection:
        assert _channel(connection, take["id"]) == 1
    service.client.patch(here, json={"about": {"session": "right"}})
    with service.bench.database.read() as connection:
        assert _channel(connection, take["id"]) == 2
    service.client.post(take["links"]["measurement"], json={"settings": {"expected_strums": 4}})
    with service.bench.database.read() as connection:
        assert _channel(connection, take["id"]) == 2


def _channel(connection: Any, take_id: str) -> Any:
    from coilbench_worker.store import takes

    found = takes.get(connection, take_id)
    assert found is not None
    return found.settings["channel"]
