"""JSON schemas of models, made once for each test process.

Every app describes its models in its OpenAPI document, and most tests over HTTP make an app: making the same schemas
again took over a quarter of the processor time of tests over HTTP. What comes out is the same, a copy each time.
"""

from __future__ import annotations

import json
from typing import Any

from pydantic import BaseModel

_made: dict[Any, str] = {}


def install() -> None:
    """From now on a schema that was made is remembered."""
    make = BaseModel.model_json_schema.__func__  # type: ignore[attr-defined]

    def remembered(cls: type[BaseModel], *given: Any, **named: Any) -> dict[str, Any]:
        key = (cls, given, tuple(named.items()))
        if key not in _made:
            _made[key] = json.dumps(make(cls, *given, **named))
        found: dict[str, Any] = json.loads(_made[key])
        return found

    BaseModel.model_json_schema = classmethod(remembered)  # type: ignore[assignment]
