"""Which of several forms of an answer the Accept header of a request asks for (RFC 9110 section 12.5.1)."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TypeVar

from flask import request

from coilbench_service import problem_kinds as kinds
from coilbench_service.problems import FieldError, Problem

Form = TypeVar("Form", bound=str)


def form_accepted(forms: Mapping[str, Form], usual: Form) -> Form:
    """The form that this request would rather have.

    Parameters
    ----------
    forms : by media type
    usual : where the request says nothing

    Raises
    ------
    Problem : not-acceptable, with the forms that there are
    """
    accept = request.accept_mimetypes
    if not accept:
        return usual
    best = accept.best_match(list(forms))
    if best is None:
        raise Problem(
            kinds.NOT_ACCEPTABLE,
            f"Accept says {request.headers.get('Accept')!r:.200}; there are {', '.join(forms)}.",
            errors=[FieldError("Accept", "names no form that can be given")],
            advice=f"Ask with format= or Accept for {', '.join(forms.values())}.",
        )
    return forms[best]
