"""What a report rests on, gathered once: the session's sheet, its takes, the table's rows by pickup, the comparison.
All of it are views that the API shows too; nothing is measured or worked out here.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from functools import cached_property
from importlib.metadata import version
from typing import Any

from sqlalchemy import Connection

from coilbench_service import problem_kinds as kinds
from coilbench_service.bench import Bench
from coilbench_service.calibrations import Calibrations
from coilbench_service.comparing import HEADLINE, compare
from coilbench_service.evidence import MOST_TAKES, LeftOut
from coilbench_service.inheritance import Inheritance
from coilbench_service.json_document import rfc3339
from coilbench_service.measurement_view import measurement_view
from coilbench_service.problems import FieldError, Problem
from coilbench_service.report.baseline import Baseline, chosen_baseline
from coilbench_service.sheet_kind import PICKUP, SESSION
from coilbench_service.sheet_view import sheet_view
from coilbench_service.table.columns import columns
from coilbench_service.table.pickups import Pickups
from coilbench_service.take_view import take_view
from coilbench_worker.store import measurements, takes
from coilbench_worker.store.measurements import MeasurementRecord
from coilbench_worker.store.states import FAILED, MEASURED, REJECTED
from coilbench_worker.store.takes import TakeFilter, TakeRecord

MOST_PICKUPS = 200
"""Of one report: each is a row for every quantity, and laying out pages takes time and memory for every row."""
NO_PICKUP = "it names no pickup; say in its description whose it is"
KEPT_OF_MEASUREMENT = ("made", "version", "settings", "audio", "checks", "usable", "calibration")


@dataclass(frozen=True)
class TakeTold:
    """One take of the session.

    Parameters
    ----------
    take : as the API shows it
    measurement : its measurement without strums and figures (`KEPT_OF_MEASUREMENT`); None where there is none
    strums : found in it
    """

    take: Mapping[str, Any]
    measurement: Mapping[str, Any] | None
    strums: int

    @property
    def id(self) -> str:
        """Of the take."""
        return str(self.take["id"])

    @property
    def called(self) -> str:
        """Its label, else the name of its file."""
        return str(self.take["described"].get("label") or self.take["file"]["name"])

    @property
    def pickup(self) -> str | None:
        """The key of its pickup."""
        found: str | None = self.take["described"].get("pickup")
        return found


@dataclass(frozen=True)
class Contents:
    """A session for its report.

    Parameters
    ----------
    session : its key
    sheet : the session's sheet as the API shows it; None where it has none
    sheets : of its pickups, by key, those that have one
    takes : all that name the session, in the order of arrival
    rows : of the table by pickup, in the order of the keys; levels stand on the full scale of `level_reference`'s first
        take
    level_reference : the first pickup with a take that counts
    left_out : takes that do not count, with the reason
    baseline : which pickup the others are held against, and why; None where there is none to be held against
    comparison : as the API answers it; None where there is none, and `without` says why
    made, confidence, quantities, version : of the report
    """

    session: str
    sheet: Mapping[str, Any] | None
    sheets: Mapping[str, Mapping[str, Any]]
    takes: tuple[TakeTold, ...]
    rows: tuple[Mapping[str, Any], ...]
    level_reference: str | None
    left_out: tuple[LeftOut, ...]
    baseline: Baseline | None
    comparison: Mapping[str, Any] | None
    without: str | None
    made: str
    confidence: float
    quantities: tuple[str, ...]
    version: str

    @cached_property
    def counting(self) -> tuple[TakeTold, ...]:
        """The takes that are not left out."""
        out = {one.take for one in self.left_out}
        return tuple(take for take in self.takes if take.id not in out)

    @cached_property
    def named(self) -> Mapping[str, str]:
        """What takes are called, by id; with the file where two share a label."""
        sharing = Counter(take.called for take in self.takes)
        return {
            take.id: f"{take.called} ({take.take['file']['name']})" if sharing[take.called] > 1 else take.called
            for take in self.takes
        }

    def as_json(self) -> dict[str, Any]:
        """The whole of it as JSON values."""
        return {
            "session": self.session,
            "made": self.made,
            "version": self.version,
            "confidence": self.confidence,
            "quantities": list(self.quantities),
            "sheet": self.sheet,
            "pickup_sheets": dict(self.sheets),
            "baseline": None if self.baseline is None else asdict(self.baseline),
            "pickups": list(self.rows),
            "level_reference": self.level_reference,
            "comparison": self.comparison,
            "without_comparison": self.without,
            "left_out": [asdict(one) for one in self.left_out],
            "takes": [{"take": one.take, "measurement": one.measurement, "strums": one.strums} for one in self.takes],
        }


def contents_of(
    bench: Bench,
    session: str,
    *,
    baseline: str | None = None,
    quantities: Sequence[str] | None = None,
    confidence: float = 0.95,
) -> Contents:
    """Gather a session.

    Parameters
    ----------
    session : key, with or without a sheet
    baseline : pickup to hold the others against; None: `chosen_baseline`
    quantities : flat keys; None: the headline ones
    confidence : of the comparison's intervals and verdicts

    Raises
    ------
    Problem : session-unknown where nothing names it, nothing-to-compare where it has no take, not-measured-yet where
        none is measured yet, too-many-takes (of too many pickups, too); subject-unknown or nothing-to-compare for a
        baseline
    """
    asked = tuple(quantities or HEADLINE)
    chosen = TakeFilter(session=session)
    with bench.database.read() as connection:
        record = SESSION.store.get(connection, session)
        _require_takes(connection, session, chosen, has_sheet=record is not None)
        sheet = None if record is None else sheet_view(connection, SESSION, record)
        told = tuple(_takes(connection, chosen))
        by_pickup = Pickups(connection, chosen, asked)
        if len(by_pickup.keys) > MOST_PICKUPS:
            detail = f"The session {session!r:.120} has {len(by_pickup.keys)} pickups; a report holds {MOST_PICKUPS}."
            raise Problem(kinds.TOO_MANY_TAKES, detail, advice="Split the session, or ask for the table.")
        keys = [one.key for one in columns("pickup", asked)]
        rows: tuple[Mapping[str, Any], ...] = tuple({key: row.get(key) for key in keys} for row in by_pickup.rows())
        sheets = {
            key: sheet_view(connection, PICKUP, one)
            for key, one in PICKUP.store.by_key(connection, by_pickup.keys).items()
        }
        nameless = [LeftOut(take.id, "", NO_PICKUP) for take in told if take.pickup is None]
    counting = {row["pickup"]: row["takes"] for row in rows if row["takes"]}
    against = Baseline(baseline, None) if baseline is not None else chosen_baseline(sheet, counting)
    comparison, without = _comparison(bench, session, against, [row["pickup"] for row in rows], asked, confidence)
    return Contents(
        session=session,
        sheet=sheet,
        sheets=sheets,
        takes=told,
        rows=rows,
        level_reference=next(iter(counting), None),
        left_out=(*by_pickup.left_out, *nameless),
        baseline=against,
        comparison=comparison,
        without=without,
        made=rfc3339(datetime.now(UTC).replace(microsecond=0)),
        confidence=confidence,
        quantities=asked,
        version=version("coilbench"),
    )


def _require_takes(connection: Connection, session: str, chosen: TakeFilter, *, has_sheet: bool) -> None:
    """Refuse a session of which a report could not say a word."""
    count = takes.count(connection, chosen)
    if count == 0:
        if not has_sheet:
            detail = f"No take names a session {session!r:.120}, and there is no sheet of it."
            raise Problem(kinds.SESSION_UNKNOWN, detail)
        detail = f"No take names the session {session!r:.120} yet."
        raise Problem(kinds.NOTHING_TO_COMPARE, detail, advice="Send takes that name the session, and ask again.")
    if count > MOST_TAKES:
        detail = f"The session {session!r:.120} has {count} takes; a report is made of up to {MOST_TAKES}."
        raise Problem(kinds.TOO_MANY_TAKES, detail, errors=[FieldError("session", f"at most {MOST_TAKES} takes")])
    final = TakeFilter(session=session, state=(MEASURED, REJECTED, FAILED))
    if takes.count(connection, final) == 0:
        raise Problem(kinds.NOT_MEASURED_YET, f"None of the {count} takes of the session {session!r:.120} is measured.")


def _takes(connection: Connection, chosen: TakeFilter) -> list[TakeTold]:
    inheritance, calibrations = Inheritance(connection), Calibrations(connection)

    def told(take: TakeRecord, measurement: MeasurementRecord | None) -> TakeTold:
        described = inheritance.of(take.about)
        shown = take_view(take, described)
        if measurement is None or take.state in (REJECTED, FAILED):
            return TakeTold(shown, None, 0)
        document = measurement_view(take, measurement, described.about, calibrations.of(described.about))
        kept = {name: document[name] for name in KEPT_OF_MEASUREMENT}
        return TakeTold(shown, kept, len(document["strums"]))

    return [told(take, measurement) for take, measurement in measurements.each_with_take(connection, chosen)]


def _comparison(
    bench: Bench,
    session: str,
    against: Baseline | None,
    keys: Sequence[str],
    quantities: Sequence[str],
    confidence: float,
) -> tuple[Mapping[str, Any] | None, str | None]:
    if against is None:
        return None, "No take of the session can carry a comparison."
    others = [key for key in keys if key != against.key]
    if not others:
        return None, f"{against.key} is the only pickup of the session: there is nothing to hold it against."
    found = compare(
        bench,
        baseline=against.key,
        others=others,
        quantities=quantities,
        confidence=confidence,
        session=session,
    )
    return found, None
