"""docs/callbacks.md is true: its ten lines tell our messages from others, example and numbers are the code's."""

from __future__ import annotations

import json
import re
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from coilbench_worker.callbacks import post, schedule
from coilbench_worker.callbacks.signature import new_secret, sign
from coilbench_worker.store.blobs import Blobs
from coilbench_worker.store.database import Database
from correspondence import call_back, end_take, told

PAGE = (Path(__file__).parents[3] / "docs" / "callbacks.md").read_text("utf-8")
BODY = '{"type":"take.measured","data":{"take":{"label":"Ton Ω"}}}'.encode()

Ours = Callable[[dict[str, str], bytes, str], bool]


def block(language: str) -> str:
    """The one fenced block of a language."""
    (found,) = re.findall(rf"^```{language}\n(.*?)^```", PAGE, flags=re.MULTILINE | re.DOTALL)
    text: str = found
    return text


@pytest.fixture
def ours() -> Ours:
    """The function that the page gives, as it stands there."""
    names: dict[str, Any] = {}
    exec(compile(block("python"), "callbacks.md", "exec"), names)
    function: Ours = names["ours"]
    return function


def headers(secret: str, *, age_s: int = 0, more: str = "") -> dict[str, str]:
    moment = int(time.time()) - age_s
    signature = more + sign(secret, "m-1", moment, BODY)
    return {"webhook-id": "m-1", "webhook-timestamp": str(moment), "webhook-signature": signature}


def test_ten_lines_tell_our_messages_from_others(ours: Ours) -> None:
    secret = new_secret()
    assert ours(headers(secret), BODY, secret)
    assert ours(headers(secret, more="v1,AAAA v2,BBBB "), BODY, secret)
    assert not ours(headers(secret), BODY + b" ", secret)
    assert not ours(headers(new_secret()), BODY, secret)
    assert not ours(headers(secret) | {"webhook-id": "m-2"}, BODY, secret)
    assert not ours(headers(secret, age_s=301), BODY, secret)
    assert not ours(
        headers(secret) | {"webhook-signature": "v2," + headers(secret)["webhook-signature"][3:]}, BODY, secret
    )


def test_they_are_ten_lines() -> None:
    assert len([line for line in block("python").splitlines() if line.strip()]) <= 10


def test_the_example_has_the_form_of_what_is_sent(sqlite_url: str, blobs: Blobs) -> None:
    database = Database(sqlite_url)
    database.migrate()
    try:
        callback = call_back(database)
        end_take(database, blobs)
        (delivery,) = told(database, callback)
    finally:
        database.close()
    assert form(json.loads(block("json"))) == form(delivery.body)


def test_its_numbers_are_the_codes() -> None:
    said = " ".join(PAGE.split())
    assert f"After {post.TIMEOUT_S:g} s without an answer" in said
    pauses = [
        f"{pause:g} s" if pause < 60 else f"{pause / 60:g} min" if pause < 3600 else f"{pause / 3600:g} h"
        for pause in schedule.PAUSES_S
    ]
    assert f"{schedule.TRIES} of them: after {', '.join(pauses[:-1])} and {pauses[-1]}," in said
    assert f"rests for up to {schedule.LONGEST_REST_S / 60:g} min" in said
    assert f"failing {schedule.MOST_FAILURES} times in a row, over two days" in said
    assert schedule.FAILING_FOR.days == 2


def form(value: Any) -> Any:
    """Names and order of a document, without its values."""
    return [(name, form(one)) for name, one in value.items()] if isinstance(value, dict) else None
