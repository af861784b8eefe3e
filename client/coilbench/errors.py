"""Everything that can go wrong, as one tree.

CoilbenchError
├── BadAddress          the address of the service is not one
├── NotReachable        no answer from the service, all retries used up
├── UnreadableAnswer    something answered, but not in the way a coilbench service does
├── Refused             the service answered with a problem (400 and above); carries `problem`
│   ├── BadRequest      400: the request itself is malformed
│   ├── NotPermitted    401, 403: no key, an unknown key, or a key without the scope for this (`scope`)
│   ├── NotFound        404, 410
│   ├── Conflict        409: not now (a measurement that is not final yet)
│   ├── TooLarge        413: over the service's limit on bytes
│   ├── NotARecording   415: not a kind of file that can be measured
│   ├── Unprocessable   422: understood, but can't be done; `problem.errors` names the fields
│   │   ├── ToneUnfit   a recording that no chain can be calibrated by; `faults` lists why
│   │   └── TooLoud     a strum that would pass full scale; `greatest_match_lufs` says what fits
│   ├── Busy            429, 503: asked to come back later, all retries used up
│   └── ServiceFault    500 and above
├── BadDescription      a value of a description can't be read (a gain that is no number)
│   └── BadManifest     the same in a manifest; names file, line and column
├── NothingToSend       no file fits what was asked for
├── NotAllSent          some files could not be sent; the others were; carries `sent` and `failed`
├── NotReadable         a recording can't be read
├── FileChanged         a file changed while it was being sent
├── NothingToHear       no strum can be listened to
├── NoCommonLevel       strums that can't be brought to one loudness; `greatest_match_lufs` fits all of them
├── StillMeasuring      the time given to `wait` is up; carries `takes`
├── UnknownFormat       a table can't be saved under this extension
├── NotSaved            a file could not be written
└── MissingLibrary      an optional library is not installed
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from coilbench.problem import Problem

if TYPE_CHECKING:
    from coilbench.sent import Sent
    from coilbench.take import Take


class CoilbenchError(Exception):
    """Root of all errors of this package. `str()` is one readable message that says what to do."""


class BadAddress(CoilbenchError, ValueError):
    """The address of the service, or one on it, is not one that HTTP can use."""


class NotReachable(CoilbenchError):
    """No answer from the service."""

    def __init__(self, url: str, cause: str) -> None:
        super().__init__(
            f"No answer from {url} ({cause}). Is the service running? `coilbench-server up` starts one on this "
            f"machine; another address goes into --url or COILBENCH_URL."
        )
        self.url = url


class UnreadableAnswer(CoilbenchError):
    """An answer that no coilbench service gives."""

    def __init__(self, url: str, found: str) -> None:
        super().__init__(f"{url} answered with {found}. Check that the address is that of a coilbench service.")
        self.url = url


class Refused(CoilbenchError):
    """The service answered with a problem; `problem` holds its type, title, status, detail, advice and field errors."""

    def __init__(self, problem: Problem) -> None:
        super().__init__(problem.sentence())
        self.problem = problem


class BadRequest(Refused):
    """400."""


class NotPermitted(Refused):
    """401 or 403: no access key, one that is good for nothing here, or one without the scope for this."""

    @property
    def scope(self) -> str | None:
        """The scope that the key lacks; None where it is not that."""
        found = self.problem.further.get("scope")
        return found if isinstance(found, str) else None


class NotFound(Refused):
    """404 or 410."""


class Conflict(Refused):
    """409."""


class TooLarge(Refused):
    """413."""


class NotARecording(Refused):
    """415."""


class Unprocessable(Refused):
    """422."""


class ToneUnfit(Unprocessable):
    """A recording that no chain can be calibrated by; the service kept nothing of it."""

    @property
    def faults(self) -> tuple[str, ...]:
        """What is wrong with it, each with its number, its limit and what to do."""
        return tuple(error.message for error in self.problem.errors)


class TooLoud(Unprocessable):
    """A strum that would pass full scale at the loudness asked for."""

    @property
    def greatest_match_lufs(self) -> float | None:
        """The greatest loudness that fits, LUFS; None where the strum has none."""
        found = self.problem.further.get("greatest_match_lufs")
        return float(found) if isinstance(found, int | float) else None


class ServiceFault(Refused):
    """500 and above."""


class Busy(Refused):
    """429 or 503, after all retries."""


class BadDescription(CoilbenchError, ValueError):
    """A value in a description that can't be read."""


class BadManifest(BadDescription):
    """A manifest that can't be used; `faults` holds one sentence for each line at fault."""

    def __init__(self, path: Path, faults: Sequence[str]) -> None:
        shown = list(faults[:10])
        if len(faults) > len(shown):
            shown.append(f"and {len(faults) - len(shown)} more")
        super().__init__("\n".join(f"{path}: {fault}" for fault in shown))
        self.path = path
        self.faults = tuple(faults)


class NothingToSend(CoilbenchError, ValueError):
    """No file fits what was asked for."""


class NotReadable(CoilbenchError, OSError):
    """A recording can't be read."""


class FileChanged(CoilbenchError):
    """The bytes that arrived are not the bytes that were hashed before."""

    def __init__(self, path: Path) -> None:
        super().__init__(f"{path} changed while it was being sent. Wait until it is complete, then send it again.")
        self.path = path


class NotAllSent(CoilbenchError):
    """Some files could not be sent.

    Attributes
    ----------
    sent : those that are with the service now, newly sent or already there
    failed : those that are not, each with its `error`
    """

    def __init__(self, sent: Sequence[Sent], failed: Sequence[Sent]) -> None:
        lines = [f"{len(failed)} of {len(sent) + len(failed)} files could not be sent; send again after mending them:"]
        lines += [f"  {item.file.name}: {item.error}" for item in failed]
        super().__init__("\n".join(lines))
        self.sent = tuple(sent)
        self.failed = tuple(failed)


class NothingToHear(CoilbenchError, ValueError):
    """No strum can be listened to."""


class NoCommonLevel(CoilbenchError, ValueError):
    """Strums that can't be brought to one loudness without clipping; nothing was saved.

    Attributes
    ----------
    greatest_match_lufs : fits all of them, LUFS; None where one has no loudness
    """

    def __init__(self, message: str, greatest_match_lufs: float | None) -> None:
        super().__init__(message)
        self.greatest_match_lufs = greatest_match_lufs


class StillMeasuring(CoilbenchError, TimeoutError):
    """The time given to `wait` is up and some takes are not final; `takes` holds all, as they are now."""

    def __init__(self, takes: Sequence[Take], timeout_s: float) -> None:
        unfinished = [take for take in takes if not take.final]
        super().__init__(
            f"{len(unfinished)} of {len(takes)} takes are not measured after {timeout_s:g} s. Nothing is lost: wait "
            f"again, or ask `coilbench status`; if nothing moves, see that a worker is running."
        )
        self.takes = tuple(takes)


class UnknownFormat(CoilbenchError, ValueError):
    """A table can't be saved under this extension."""


class NotSaved(CoilbenchError, OSError):
    """A file could not be written."""


class MissingLibrary(CoilbenchError, ImportError):
    """An optional library is not installed."""


BY_STATUS: dict[int, type[Refused]] = {
    400: BadRequest,
    401: NotPermitted,
    403: NotPermitted,
    404: NotFound,
    409: Conflict,
    410: NotFound,
    413: TooLarge,
    415: NotARecording,
    422: Unprocessable,
    429: Busy,
    503: Busy,
}


BY_SLUG: dict[str, type[Refused]] = {"tone-unfit": ToneUnfit, "over-full-scale": TooLoud}


def refused(problem: Problem) -> Refused:
    """The error that goes with a problem's kind or status.

    Parameters
    ----------
    problem : as the service sent it
    """
    by_status = BY_STATUS.get(problem.status, ServiceFault if problem.status >= 500 else Refused)
    return BY_SLUG.get(problem.slug, by_status)(problem)
