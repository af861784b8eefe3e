"""Problems as the service tells them (RFC 9457), in answers and beside takes."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any


@dataclass(frozen=True)
class FieldError:
    """One field at fault and what is wrong with it."""

    field: str
    message: str


@dataclass(frozen=True)
class Problem:
    """What went wrong and what to do about it.

    Attributes
    ----------
    type : relative address of the kind of problem, `/problems/<slug>`
    title : the kind in a few words
    status : HTTP status; 0 when the problem came with a take and has none
    detail : this case: the value, the limit, the likely cause; may be empty
    advice : what to do; may be empty
    errors : the fields at fault, if any
    further : members beyond these, such as `greatest_match_lufs`
    """

    type: str
    title: str
    status: int = 0
    detail: str = ""
    advice: str = ""
    errors: tuple[FieldError, ...] = ()
    further: Mapping[str, Any] = field(default_factory=dict, compare=False)

    @property
    def slug(self) -> str:
        """The last part of `type`: `no-strums` of `/problems/no-strums`."""
        return self.type.rstrip("/").rpartition("/")[2]

    def sentence(self) -> str:
        """Detail (or title), fields and advice in one line, nothing twice."""
        parts = [self.detail or self.title]
        parts += [f"{error.field}: {error.message}" for error in self.errors if error.message not in self.detail]
        if self.advice and self.advice not in self.detail:
            parts.append(self.advice)
        return " ".join(_ended(part) for part in parts if part)

    def lines(self) -> list[str]:
        """The case, the fields at fault and the advice, one a line, nothing twice: for a screen."""
        case = self.detail or self.title
        fields = [f"{error.field}: {error.message}" for error in self.errors]
        if self.detail == "; ".join(fields):  # the detail is but the list of the fields
            case = self.title
        elif self.detail and all(error.message in self.detail for error in self.errors):
            fields = []
        advice = [self.advice] if self.advice and self.advice not in self.detail else []
        return [_ended(case), *(f"  {field}" for field in fields), *(_ended(line) for line in advice)]

    def document(self) -> dict[str, Any]:
        """The problem as it stands in JSON."""
        return {
            "type": self.type,
            "title": self.title,
            "status": self.status or None,
            "detail": self.detail,
            "advice": self.advice,
            "errors": [{"field": error.field, "message": error.message} for error in self.errors],
        }

    @classmethod
    def from_document(cls, document: Mapping[str, Any], *, status: int = 0) -> Problem:
        """Read a problem; what is missing is left empty, what is unknown is passed over.

        Parameters
        ----------
        document : the JSON object
        status : HTTP status, used when the document names none
        """
        fields = document.get("errors") or []
        return cls(
            type=str(document.get("type") or "about:blank"),
            title=str(document.get("title") or "Problem"),
            status=int(document.get("status") or status),
            detail=str(document.get("detail") or ""),
            advice=str(document.get("advice") or ""),
            errors=tuple(
                FieldError(str(entry.get("field") or ""), str(entry.get("message") or ""))
                for entry in fields
                if isinstance(entry, Mapping)
            ),
            further={name: value for name, value in document.items() if name not in cls.__annotations__},
        )


def _ended(text: str) -> str:
    return text if text.endswith((".", "!", "?")) else f"{text}."
