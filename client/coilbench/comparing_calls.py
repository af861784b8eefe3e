"""The client's calls that compare, study, hold groups and data sheets against measurements, and choose."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Any
from urllib.parse import quote

from coilbench.calls import Calls, finite
from coilbench.choice import Choice, Word, wish_of
from coilbench.comparison import Comparison
from coilbench.errors import BadDescription
from coilbench.fit import Fit
from coilbench.groups import Groups
from coilbench.sent import Sent
from coilbench.sheet import Pickup
from coilbench.study import Study
from coilbench.take import Take

Named = str | Pickup | Take | Sent
"""A pickup by key or sheet; a take by id, as it was last seen, or as it was sent."""

ANSWER_TIMEOUT_S = 300.0
"""For an answer to begin, s: the service reads every measured take of a large collection first."""

Words = str | Iterable[str]
"""One text, or several."""


class ComparingCalls(Calls):
    """What a client asks about takes that are measured."""

    def compare(
        self,
        baseline: Named,
        others: Named | Iterable[Named] | None = None,
        quantities: Words | None = None,
        confidence: float = 0.95,
        session: str | None = None,
    ) -> Comparison:
        """How others differ from a baseline, by how much, and whether it is real.

        Parameters
        ----------
        baseline : a pickup by its key or sheet, or a take
        others : the same; None for every other pickup with measured takes
        quantities : keys; None for a short list of the usual ones. The more are asked for, the harder is each verdict
        confidence : of the intervals and, for the whole answer together, of the verdicts
        session : only takes of this session

        Raises
        ------
        Unprocessable : a pickup, take or quantity that there is not; or the baseline has no take that can carry it
        BadDescription : a file that was not sent; a number that is not finite
        """
        document = {
            "baseline": subject_of(baseline),
            "others": subjects_of(others),
            "quantities": _listed(quantities),
            "confidence": confidence,
            "session": session,
        }
        return self._read(Comparison.from_document, self._asked("/v1/comparisons", document), "comparison")

    def study(
        self,
        subjects: Named | Iterable[Named] | None = None,
        quantities: Words | None = None,
        difference: Mapping[str, float] | None = None,
        session: str | None = None,
    ) -> Study:
        """How much the tester's own hand scatters, between strums and between takes, and what to record therefore.

        Parameters
        ----------
        subjects : pickups or takes, pooled; None for every pickup with measured takes
        quantities : keys; None for the usual ones
        difference : wanted by quantity, such as `{"rms_dbfs": 1.0}`; None for what an ear can tell
        session : only takes of this session

        Raises
        ------
        Unprocessable : a quantity, pickup or take that there is not
        """
        document = {
            "subjects": subjects_of(subjects),
            "quantities": _listed(quantities),
            "difference": finite(difference) if difference is not None else None,
            "session": session,
        }
        return self._read(Study.from_document, self._asked("/v1/comparisons/study", document), "study")

    def group(
        self,
        field: str,
        quantities: Words | None = None,
        among: Named | Iterable[Named] | None = None,
        session: str | None = None,
        confidence: float = 0.95,
    ) -> Groups:
        """How groups of pickups differ, such as active from passive ones; each pickup counts once.

        Parameters
        ----------
        field : of the data sheet: active, magnet, construction, ...
        quantities : keys; None for the usual ones
        among : pickups; None for all with measured takes
        session : only takes of this session
        confidence : of the intervals and, for the whole answer together, of the verdicts

        Raises
        ------
        Unprocessable : a field, pickup or quantity that there is not
        """
        document = {
            "field": field,
            "quantities": _listed(quantities),
            "among": subjects_of(among),
            "session": session,
            "confidence": confidence,
        }
        return self._read(Groups.from_document, self._asked("/v1/comparisons/groups", document), "set of groups")

    def fit(
        self,
        fields: Words | None = None,
        quantities: Words | None = None,
        among: Named | Iterable[Named] | None = None,
        session: str | None = None,
        confidence: float = 0.95,
    ) -> Fit:
        """Whether numbers of the data sheets predict what was measured, in this collection.

        Parameters
        ----------
        fields : dcr_ohm, inductance_h, rated_output_mv, ...; None for these three
        quantities : keys; None for the usual ones
        among : pickups; None for all with measured takes
        session : only takes of this session
        confidence : of the intervals and, for the whole answer together, of the verdicts

        Raises
        ------
        Unprocessable : a field, pickup or quantity that there is not
        """
        document = {
            "fields": _listed(fields),
            "quantities": _listed(quantities),
            "among": subjects_of(among),
            "session": session,
            "confidence": confidence,
        }
        return self._read(Fit.from_document, self._asked("/v1/comparisons/specifications", document), "set of fits")

    def choose(
        self,
        reference: Named,
        wish: Mapping[str, Any] | Words,
        among: Named | Iterable[Named] | None = None,
        session: str | None = None,
        load: Mapping[str, float] | None = None,
    ) -> Choice:
        """Which pickups come closest to a wish, and by how much each misses it.

        Parameters
        ----------
        reference : the pickup that the player knows
        wish : `{"treble_db": 2, "bass_db": "same", "hot": True}`, or words as they are typed in a command:
            `["treble_db=+2", "bass_db=same", "hot"]`
        among : pickups to choose from; None for all with measured takes
        session : only takes of this session
        load : what the pickup works into, for the advice: volume_pot_ohm, tone_pot_ohm, input_ohm, cable_pf; None for
            what the sheet says, or usual values

        Raises
        ------
        BadDescription : a wish that can't be read
        Unprocessable : a word, quantity or pickup that there is not
        """
        document = {
            "reference": subject_of(reference),
            "wish": finite(wish_of(wish)),
            "among": subjects_of(among),
            "session": session,
            "load": None if load is None else finite(dict(load)),
        }
        return self._read(Choice.from_document, self._asked("/v1/choices", document), "choice")

    def words(self) -> list[Word]:
        """The words that wishes may use, with what they mean."""
        return [self._read(Word.from_document, entry, "word") for entry in self._transport.lines("/v1/words")]

    def set_word(self, word: str, items: Iterable[Mapping[str, Any]], says: str | None = None) -> Word:
        """Say what a word means in wishes; replaces what it meant.

        Parameters
        ----------
        word : such as bright
        items : `{"quantity": "treble_db", "direction": "more", "amount": 1.5}` each; amount may be missing
        says : the same for people

        Raises
        ------
        Unprocessable : a quantity or direction that there is not
        """
        document: dict[str, Any] = {"items": [finite(item) for item in items]}
        if says is not None:
            document["says"] = says
        return self._read(Word.from_document, self._transport.document("PUT", _path(word), document=document), "word")

    def reset_word(self, word: str) -> None:
        """Forget what was said of a word; one that the service knows by itself means again what it meant at first.

        Parameters
        ----------
        word : such as bright

        Raises
        ------
        NotFound : there is no such word
        """
        self._transport.request("DELETE", _path(word))

    def _asked(self, path: str, document: Mapping[str, Any]) -> dict[str, Any]:
        said = finite({name: value for name, value in document.items() if value is not None})
        return self._transport.document("POST", path, document=said, timeout_s=self._patient_s(), changes_nothing=True)

    def _patient_s(self) -> float:
        return max(ANSWER_TIMEOUT_S, self._transport.timeout_s)


def subject_of(named: Named) -> str:
    """The key of a pickup, or the id of a take.

    Parameters
    ----------
    named : any way to name one

    Raises
    ------
    BadDescription : a file that was not sent
    """
    if isinstance(named, Sent):
        if named.take is None:
            raise BadDescription(f"{named.file.name} is not with the service: {named.outcome}")
        return named.take.id
    if isinstance(named, Pickup):
        return named.key
    return named.id if isinstance(named, Take) else named


def subjects_of(named: Named | Iterable[Named] | None) -> list[str] | None:
    """Keys of pickups, or ids of takes, in order; None for None.

    Parameters
    ----------
    named : one or several

    Raises
    ------
    BadDescription : a file that was not sent
    """
    if named is None:
        return None
    if isinstance(named, str | Pickup | Take | Sent):
        return [subject_of(named)]
    return [subject_of(one) for one in named]


def _listed(words: Words | None) -> list[str] | None:
    if words is None:
        return None
    return [words] if isinstance(words, str) else list(words)


def _path(word: str) -> str:
    return f"/v1/words/{quote(word, safe='')}"
