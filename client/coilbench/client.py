"""The client: what a script uses.

bench = coilbench.Client("http://127.0.0.1:8080")
takes = bench.send("recordings/*.wav", manifest="takes.csv", progress=True)
bench.wait(takes)
bench.table(per="strum").save("strums.xlsx")
"""

from __future__ import annotations

import os
import uuid
from collections.abc import Iterable, Iterator, Mapping, Sequence
from pathlib import Path
from types import TracebackType
from typing import Any, Unpack
from urllib.parse import quote

from coilbench.callback_calls import CallbackCalls
from coilbench.calls import PAGE
from coilbench.chain_calls import ChainCalls
from coilbench.chart_calls import ChartCalls
from coilbench.coil_calls import CoilCalls
from coilbench.comparing_calls import ComparingCalls, subject_of
from coilbench.errors import NotAllSent, NothingToSend, UnreadableAnswer
from coilbench.filters import TakeFilters, names_no_take, query_of
from coilbench.listening_calls import ListeningCalls
from coilbench.manifest import read_manifest
from coilbench.measurement import CheckKind, Measurement, Quantity
from coilbench.parcels import Parcel, pack
from coilbench.patience import Patience
from coilbench.progress import SendProgress, measuring_progress
from coilbench.report_calls import ReportCalls
from coilbench.selection import What, select
from coilbench.sending import Sender, take_of
from coilbench.sent import Sent
from coilbench.sheet_calls import SheetCalls
from coilbench.table import Per, Shape, Spread, Table
from coilbench.table_served import ServedTable
from coilbench.take import Take
from coilbench.transport import Transport
from coilbench.waiting import wait_for

DEFAULT_URL = "http://127.0.0.1:8080"
IDS_AT_ONCE = 100
"""Ids in one address, which servers take up to some 8000 characters long."""

AnyTake = str | Take | Sent
"""A take by its id, as it was last seen, or as it was sent."""


class Client(ChainCalls, SheetCalls, ComparingCalls, CoilCalls, ChartCalls, ListeningCalls, ReportCalls, CallbackCalls):
    """A coilbench service, from Python. A context manager, if wished.

    Parameters
    ----------
    url : address of the service; COILBENCH_URL, else http://127.0.0.1:8080
    key : access key; COILBENCH_KEY, else none
    timeout : for an answer to begin, s
    retries : tries after the first on a lost connection, 429 or 503; or a `Patience` for every detail

    Raises
    ------
    BadAddress : the address is not one
    """

    def __init__(
        self, url: str | None = None, key: str | None = None, *, timeout: float = 60.0, retries: int | Patience = 6
    ) -> None:
        patience = retries if isinstance(retries, Patience) else Patience(retries=retries)
        self._transport = Transport(
            url or os.environ.get("COILBENCH_URL") or DEFAULT_URL,
            key or os.environ.get("COILBENCH_KEY") or None,
            timeout_s=timeout,
            patience=patience,
        )

    @property
    def url(self) -> str:
        """Address of the service."""
        return self._transport.url

    def close(self) -> None:
        """Give the connections back."""
        self._transport.close()

    def __enter__(self) -> Client:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, traceback: TracebackType | None
    ) -> None:
        self.close()

    def send(
        self,
        what: What | None = None,
        *,
        manifest: str | Path | None = None,
        about: Mapping[str, Any] | None = None,
        progress: bool = False,
        dry_run: bool = False,
    ) -> list[Sent]:
        """Send recordings; what is there already (same bytes, same description) is not sent again.

        Every file is tried before anything is raised. Run again after an interruption, it goes on where it stopped.

        Parameters
        ----------
        what : a folder, a pattern such as `recordings/*.wav`, a file, or several; None for all that the manifest names
        manifest : CSV with a column `file` (relative to the manifest) and columns of the description
        about : description of all of them; a value in the manifest goes before it
        progress : a bar on standard error when that is a terminal
        dry_run : only look what would be sent

        Returns
        -------
        One `Sent` for each take, in order; `wait` and `table` take them as they are

        Raises
        ------
        NothingToSend : no file fits
        BadManifest, BadDescription : before anything is sent
        NotAllSent : some files failed; carries those sent
        NotReachable, NotPermitted : no file would fare better
        """
        if what is None and manifest is None:
            raise NothingToSend("Name a folder, a pattern, files or a manifest to send")
        selection = select(what) if what is not None else None
        manifests = [read_manifest(Path(manifest))] if manifest is not None else []
        parcels = pack(selection, manifests, about).parcels
        if not parcels:
            raise NothingToSend("There is no sound file (wav, rf64, flac, aif, aiff) to send")
        results = list(self.sending(parcels, progress=progress, dry_run=dry_run))
        failed = [sent for sent in results if sent.outcome == "failed"]
        if failed:
            raise NotAllSent([sent for sent in results if sent.outcome != "failed"], failed)
        return results

    def sending(self, parcels: Sequence[Parcel], *, progress: bool = False, dry_run: bool = False) -> Iterator[Sent]:
        """Send parcels one by one, yielding what became of each; failures are yielded, not raised.

        Parameters
        ----------
        parcels : recordings with descriptions
        progress : a bar on standard error when that is a terminal
        dry_run : only look what would be sent

        Raises
        ------
        NotReachable, NotPermitted, UnreadableAnswer : no further file would fare better
        """
        sizes = [parcel.file.stat().st_size if parcel.file.is_file() else 0 for parcel in parcels]
        sender = Sender(self._transport, dry_run=dry_run)
        with SendProgress(shown=progress, files=len(parcels), total_bytes=sum(sizes)) as bar:
            for parcel, size in zip(parcels, sizes, strict=True):
                bar.begin(parcel.file.name)
                sent = sender.send(parcel, bar.sent)
                bar.end(size)
                yield sent

    def wait(
        self, takes: AnyTake | Iterable[AnyTake], timeout: float | None = None, *, progress: bool = False
    ) -> list[Take]:
        """Wait until takes are measured, rejected or failed.

        Parameters
        ----------
        takes : one or several; those that were not sent are passed over
        timeout : in all, s; None waits as long as it takes
        progress : a bar on standard error when that is a terminal

        Returns
        -------
        The takes as they are then

        Raises
        ------
        StillMeasuring : the time is up; carries the takes
        NotFound : there is no such take
        """
        known = self._seen(takes)
        with measuring_progress(shown=progress, takes=len(known)) as done:
            return wait_for(self._transport, known, timeout_s=timeout, done=done)

    def takes(self, **filters: Unpack[TakeFilters]) -> Iterator[Take]:
        """Takes, over all pages.

        Parameters
        ----------
        filters : state, session, pickup, chain, sha256, since, id; an empty list of ids has no takes
        """
        if names_no_take(filters):
            return
        for item in self._transport.lines("/v1/takes", [*query_of(filters), ("limit", PAGE)]):
            yield take_of(item, self._transport)

    def take(self, id: str) -> Take:
        """One take.

        Parameters
        ----------
        id : of the take

        Raises
        ------
        NotFound : there is no such take
        """
        return take_of(self._transport.document("GET", _take_path(id)), self._transport)

    def measurement(self, id: str) -> Measurement:
        """What was measured of a take.

        Parameters
        ----------
        id : of the take

        Raises
        ------
        Conflict : not final yet
        Unprocessable : rejected; the problem says why
        NotFound : there is no such take
        """
        document = self._transport.document("GET", f"{_take_path(id)}/measurement")
        try:
            return Measurement.from_document(document)
        except (KeyError, TypeError, ValueError) as cause:
            raise UnreadableAnswer(self.url, "something that is not a measurement") from cause

    def describe(self, take: AnyTake, /, **about: Any) -> Take:
        """Change the description of a take; None removes a field. Measures again only when a setting changes.

        Parameters
        ----------
        take : its id, as it was last seen, or as it was sent
        about : fields to change

        Raises
        ------
        Unprocessable : a value that the service does not take
        NotFound : there is no such take
        BadDescription : a file that was not sent
        """
        return take_of(
            self._transport.document("PATCH", _take_path(subject_of(take)), document={"about": about}), self._transport
        )

    def delete(self, take: AnyTake) -> None:
        """Delete a take with its measurements.

        Parameters
        ----------
        take : its id, as it was last seen, or as it was sent

        Raises
        ------
        NotFound : there is no such take
        BadDescription : a file that was not sent
        """
        self._transport.request("DELETE", _take_path(subject_of(take)))

    def measure_again(self, take: AnyTake, settings: Mapping[str, Any] | None = None) -> Take:
        """Measure a take again, with other settings or because it failed.

        Parameters
        ----------
        take : its id, as it was last seen, or as it was sent
        settings : names as in a measurement's `settings`; None for those it has

        Raises
        ------
        Unprocessable : a setting that the service does not take
        NotFound : there is no such take
        BadDescription : a file that was not sent
        """
        document = self._transport.document(
            "POST",
            f"{_take_path(subject_of(take))}/measurement",
            document={"settings": dict(settings)} if settings else {},
            headers={"Idempotency-Key": uuid.uuid4().hex},
        )
        return take_of(document, self._transport)

    def quantities(self) -> list[Quantity]:
        """The catalogue of quantities."""
        return [Quantity.from_document(item) for item in self._transport.lines("/v1/quantities")]

    def checks(self) -> list[CheckKind]:
        """The catalogue of checks."""
        return [CheckKind.from_document(item) for item in self._transport.lines("/v1/checks")]

    def table(
        self,
        per: Per = "take",
        quantities: Iterable[str] | None = None,
        *,
        shape: Shape = "wide",
        spread: Spread = "all",
        **filters: Unpack[TakeFilters],
    ) -> Table:
        """A table of what was measured; iterating and saving need not hold all of it in memory.

        Parameters
        ----------
        per : what a row is: take, strum, or pickup, which has the mean of its takes and an interval that holds takes,
            not strums, for independent
        quantities : keys of those wanted; None for all
        shape : wide has a column for every quantity, long a row for every number
        spread : none leaves out standard deviations and intervals
        filters : as for `takes`

        Raises
        ------
        Unprocessable : a quantity that there is not
        """
        if names_no_take(filters):
            return Table(per, (), ())
        question = [("per", per), *query_of(filters)]
        if quantities is not None:
            question.append(("quantities", ",".join(quantities)))
        question += [
            (name, said) for name, said, usual in (("shape", shape, "wide"), ("spread", spread, "all")) if said != usual
        ]
        return ServedTable(self._transport, per, question)

    def table_of(
        self,
        takes: AnyTake | Iterable[AnyTake],
        per: Per = "take",
        quantities: Iterable[str] | None = None,
    ) -> Table:
        """A table of some takes only, in the order of these.

        Up to a hundred takes in the order in which they arrived are saved by the service, as `table` is; others by
        the client, where a spreadsheet has rows and titles alone.

        Parameters
        ----------
        takes : which
        per, quantities : as for `table`

        Raises
        ------
        ValueError : by pickup, of more takes than can be named in one question
        """
        known = self._seen(takes)
        if not known:
            return Table(per, (), ())
        ids = [take.id for take in known]
        wanted = list(quantities) if quantities is not None else None
        if per == "pickup":
            if len(ids) > IDS_AT_ONCE:
                raise ValueError(f"by pickup, no more than {IDS_AT_ONCE} takes can be named; use table() with filters")
            return self.table(per, wanted, id=ids)
        parts = [
            self.table(per, wanted, id=ids[start : start + IDS_AT_ONCE]) for start in range(0, len(ids), IDS_AT_ONCE)
        ]
        if len(parts) == 1 and parts[0].of_takes(ids).rows == parts[0].rows:
            return parts[0]  # as asked for already: the service can write its files
        return Table(per, parts[0].columns, tuple(row for part in parts for row in part.rows)).of_takes(ids)

    def _seen(self, takes: AnyTake | Iterable[AnyTake]) -> list[Take]:
        wanted: Iterable[AnyTake] = [takes] if isinstance(takes, str | Take | Sent) else takes
        known: dict[str, Take] = {}
        for item in wanted:
            take = item.take if isinstance(item, Sent) else item
            if isinstance(take, str):
                take = self.take(take)
            if take is not None:
                known.setdefault(take.id, take)
        return list(known.values())


def _take_path(id: str) -> str:
    return f"/v1/takes/{quote(id, safe='')}"
