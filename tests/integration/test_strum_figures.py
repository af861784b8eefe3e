"""The strum finder over whole corpora, beside librosa's onsets in the same samples. Run with -s for the tables.

Four corpora: the named cases and takes drawn at random, each of modelled strings and of recorded notes. Precision,
recall and F are counted by mir_eval.onset.f_measure (one-to-one matching within 50 ms, as MIREX counts); timing is the
absolute error of the onsets that match. Source of the comparison: librosa.onset.onset_detect, with its defaults, with a
hop of about 5 ms, and with that hop and backtracking; the best of the three counts, figure by figure.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache

import pytest

from material import corpus, drawn
from material.case import Case
from material.score import HEADER, WAYS, Outcome, Score, named, ours, pooled, theirs

DRAWN_SEEDS = range(1000, 1060)
"""Not those by which the finder was improved."""


@dataclass(frozen=True)
class Limits:
    """What the finder must reach: shares, and absolute errors of the onsets in ms."""

    precision: float
    recall: float
    median_ms: float
    p95_ms: float


OURS, KNOWN = "ours", "ours, number of strums known"
LIMITS = {
    "modelled": Limits(0.995, 1.0, 0.5, 2.0),
    "recorded": Limits(1.0, 1.0, 0.5, 2.0),
    "drawn modelled": Limits(0.985, 0.985, 0.5, 6.0),
    "drawn recorded": Limits(0.985, 0.985, 0.5, 6.0),
}
CORPORA = [pytest.param(name, marks=pytest.mark.xdist_group(_group)) for name, _group in zip(
    LIMITS, ("named strums modelled", "named strums recorded", "drawn modelled", "drawn recorded"), strict=True
)]  # fmt: skip


def cases(name: str) -> Iterator[Case]:
    """The recordings of a corpus, one after the other."""
    if name == "drawn modelled":
        yield from map(drawn.modelled, DRAWN_SEEDS)
    elif name == "drawn recorded":
        yield from map(drawn.from_notes, DRAWN_SEEDS)
    else:
        yield from (corpus.case(each) for each in corpus.names() if each.startswith(name))


@lru_cache
def outcomes_of(name: str) -> dict[str, list[Outcome]]:
    """What was found in a corpus: by us, by us with the number of strums given, by librosa."""
    outcomes: dict[str, list[Outcome]] = {way: [] for way in (OURS, KNOWN, *WAYS)}
    for case in cases(name):
        outcomes[OURS].append(ours(case) if name.startswith("drawn") else named(case.name))
        outcomes[KNOWN].append(ours(case, expected_strums=len(case.onsets_s)))
        for way, outcome in theirs(case).items():
            outcomes[way].append(outcome)
    return outcomes


@lru_cache
def scores(name: str) -> dict[str, Score]:
    """Figures of a corpus, ours first; printed as a table."""
    found = {way: pooled(each) for way, each in outcomes_of(name).items()}
    print(f"\n{name}: {len(outcomes_of(name)[OURS])} takes, {found[OURS].strums} strums\n{'':31}{HEADER}")
    for way, score in found.items():
        print(f"{way:31}{score.row}")
    return found


@pytest.mark.parametrize("name", CORPORA)
def test_strums_of_a_corpus_are_found_in_time(name: str) -> None:
    found, limits = scores(name)[OURS], LIMITS[name]
    assert found.precision >= limits.precision
    assert found.recall >= limits.recall
    assert found.median_ms <= limits.median_ms
    assert found.p95_ms <= limits.p95_ms


@pytest.mark.parametrize("name", CORPORA)
def test_every_figure_is_better_than_the_best_of_librosas(name: str) -> None:
    """Equal counts only where nothing better is possible."""
    our, others = scores(name)[OURS], [scores(name)[way] for way in WAYS]
    for figure in ("f", "precision", "recall"):
        best, reached = max(getattr(each, figure) for each in others), getattr(our, figure)
        assert reached > best or reached == best == 1.0, figure
    for figure in ("median_ms", "p95_ms"):
        assert getattr(our, figure) < min(getattr(each, figure) for each in others), figure


@pytest.mark.parametrize("name", CORPORA)
def test_number_of_strums_given_right_changes_no_take_that_was_right(name: str) -> None:
    both = zip(outcomes_of(name)[OURS], outcomes_of(name)[KNOWN], strict=True)
    changed = [
        without.name
        for without, known in both
        if without.f == 1.0 and without.found_s.tolist() != known.found_s.tolist()
    ]
    assert not changed


@pytest.mark.parametrize("name", CORPORA)
def test_number_of_strums_given_right_invents_no_more_and_loses_none(name: str) -> None:
    """Beside what is found without it."""
    without, known = scores(name)[OURS], scores(name)[KNOWN]
    assert known.missed <= without.missed
    assert known.invented <= without.invented
