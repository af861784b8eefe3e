"""What a page's address asks for, checked by the same models as the API's."""

from __future__ import annotations

from typing import TypeVar

from flask import request
from pydantic import BaseModel, ValidationError

from coilbench_service import problems

Asked = TypeVar("Asked", bound=BaseModel)


def asked(model: type[Asked], **defaults: object) -> Asked:
    """The query of this request; a form sends fields left empty, and they ask for nothing.

    Raises
    ------
    Problem : invalid-request, with the fields at fault
    """
    given = {name: [one for one in values if one.strip()] for name, values in request.args.lists()}
    fields = {name: _one_or_all(model, name, values) for name, values in given.items() if values}
    try:
        return model.model_validate({**defaults, **fields})
    except ValidationError as error:
        problems.raise_invalid(error)


def _one_or_all(model: type[BaseModel], name: str, values: list[str]) -> str | list[str]:
    field = model.model_fields.get(name)
    return values if field is not None and isinstance(field.default, list) else values[-1]
