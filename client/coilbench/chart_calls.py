"""The client's calls for charts; `Client` has them."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Any, TypedDict, Unpack
from urllib.parse import quote

from coilbench.calls import Calls, finite
from coilbench.chart import Chart, ChartKind
from coilbench.comparing_calls import ANSWER_TIMEOUT_S, Named, Words, subject_of, subjects_of
from coilbench.download import download
from coilbench.sent import Sent
from coilbench.take import Take
from coilbench.transport import Query

Asked = Mapping[str, str | float | Iterable[str]]
"""What a chart is asked with, by its names in the address."""
ONE = {"baseline": "baseline", "pickup": "pickup", "beside": "beside"}
SEVERAL = {"takes": "take", "pickups": "pickup", "others": "other", "among": "among"}
WORDS = {"quantities": "quantity", "fields": "field"}
"""Names of `ChartAsked`, and what they are called in an address."""
LOAD_NAMES = {"resistance_ohm": "load_ohm"}


class ChartAsked(TypedDict, total=False):
    """What charts may be asked with; which chart takes what, `charts()` says.

    Attributes
    ----------
    takes : to stand side by side
    pickups : for bands: by key or sheet, or takes; left out: all measured
    baseline, others : for intervals, as of a comparison
    fields, among : for specification, as of a fit
    quantities : for intervals and specification
    pickup, beside : for response, by their sheets
    coil, load : for response, as of `coil`
    session, confidence : only takes of this session; of the intervals
    """

    takes: Iterable[Named]
    pickups: Named | Iterable[Named]
    baseline: Named
    others: Named | Iterable[Named]
    fields: Words
    among: Named | Iterable[Named]
    quantities: Words
    pickup: Named
    beside: Named
    coil: Mapping[str, float]
    load: Mapping[str, float]
    session: str
    confidence: float


class ChartCalls(Calls):
    """What a client asks to be drawn."""

    def charts(self) -> list[ChartKind]:
        """The kinds of charts: what each shows, and what it is asked with."""
        return [self._read(ChartKind.from_document, entry, "chart") for entry in self._transport.lines("/v1/charts")]

    def chart(self, name: str, *, take: str | Take | Sent | None = None, **asked: Unpack[ChartAsked]) -> Chart:
        """A chart: `bench.chart("decay", take=id)`, `bench.chart("intervals", baseline="harbour-neck")`.

        Parameters
        ----------
        name : of one take: waveform, envelopes, decay, bands; of several: takes, bands, intervals, specification,
            response
        take : the one take that it is to show
        asked : see `ChartAsked`; what a chart does not know is refused

        Raises
        ------
        NotFound : there is no such chart, or no such take
        Conflict : the take is not measured yet
        Unprocessable : what the question of the same name refuses
        BadDescription : a file that was not sent; a number that is not finite
        """
        if take is None:
            return self._drawn(name, f"/v1/charts/{quote(name, safe='')}", _query(_flat(asked)))
        address = f"/v1/takes/{quote(subject_of(take), safe='')}/charts/{quote(name, safe='')}"
        return self._drawn(name, address, _query(_flat(asked)))

    def draw(self, kind: ChartKind, asked: Asked) -> Chart:
        """A chart of a kind that the service lists, also one that this client does not know.

        Parameters
        ----------
        kind : of `charts()`
        asked : by the names that the kind lists

        Raises
        ------
        As for `chart`; KeyError : the take is missing that a chart of one take shows
        """
        rest = dict(asked)
        address = kind.address
        if kind.of_one_take:
            address = address.replace("{take_id}", quote(str(rest.pop("take_id")), safe=""))
        return self._drawn(kind.name, address, _query(rest))

    def _drawn(self, name: str, address: str, query: Query) -> Chart:
        timeout_s = max(ANSWER_TIMEOUT_S, self._transport.timeout_s)

        def fetch(path: Path, media_type: str, scale: float) -> Path:
            whole = [*query, ("scale", str(finite({"scale": scale})["scale"]))]
            return download(self._transport, address, path, query=whole, accept=media_type, timeout_s=timeout_s)

        found = self._transport.document("GET", address, query=query, timeout_s=timeout_s)
        return self._read(lambda document: Chart.from_document(name, document, fetch), found, "chart")


def _flat(asked: ChartAsked) -> dict[str, Any]:
    """What was asked by the names of the address."""
    given: dict[str, Any] = dict(asked)
    flat: dict[str, Any] = {}
    for name, value in given.items():
        if value is None:
            continue
        if name in ONE:
            flat[ONE[name]] = subject_of(value)
        elif name in SEVERAL:
            flat[SEVERAL[name]] = subjects_of(value)
        elif name in WORDS:
            flat[WORDS[name]] = value
        elif name == "coil":
            flat |= dict(value)
        elif name == "load":
            flat |= {LOAD_NAMES.get(part, part): number for part, number in value.items()}
        else:
            flat[name] = value
    return flat


def _query(asked: Asked) -> list[tuple[str, str]]:
    query: list[tuple[str, str]] = []
    for name, value in finite(asked).items():
        several = [value] if isinstance(value, str | int | float) else list(value)
        query += [(name, str(one)) for one in several]
    return query
