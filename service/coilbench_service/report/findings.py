"""What was found, in a few plain sentences: the comparison's rows drawn together by quantity, most audible first. What
is not shown is said to be not shown, which is not the same as not there.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import Any

from coilbench_service.evidence import NOT_YET
from coilbench_service.field_labels import label_of
from coilbench_service.report.blocks import Block, Bullets, Head, Paragraph, Section, Table
from coilbench_service.report.contents import Contents
from coilbench_service.writing import NOTHING, counted, figure, interval, listed, said, some
from coilbench_worker.compare.columns import column, in_a_sentence
from coilbench_worker.compare.ear import ear_step

MOST_SAID = 3
"""Quantities that get a sentence of their own; with two pickups, rows."""
MOST_NAMES = 3
NOT_NONE = "That is not to say that there is none."

Row = Mapping[str, Any]


def findings(contents: Contents) -> Section:
    """The section that is read first."""
    return Section("found", "What was found", tuple(_blocks(contents)))


def sentences(contents: Contents) -> tuple[str, ...]:
    """Three to six sentences; fewer where little can be said."""
    return tuple(_alone(contents)) if contents.comparison is None else compared(contents.comparison)


def compared(comparison: Mapping[str, Any]) -> tuple[str, ...]:
    """What a comparison (`comparing.compare`) found, in the same sentences."""
    rows = comparison["results"]
    shown = [row for row in rows if row["verdict"] in ("higher", "lower")]
    told = [_opening(comparison, rows, shown)]
    if _two(rows):
        told += [said(row["sentence"]) for row in _loudest(shown)[:MOST_SAID]]
    else:
        told += _grouped(rows, shown)
    told += _rest(comparison, rows, shown)
    return tuple(told)


def _blocks(contents: Contents) -> Iterator[Block]:
    yield Bullets(sentences(contents))
    waiting = sum(one.reason == NOT_YET for one in contents.left_out)
    if waiting:
        yield Paragraph(
            f"{counted(waiting, 'take is', 'takes are')} not measured yet: make the report again.", "caution"
        )
    if contents.baseline is not None and contents.baseline.why is not None and contents.comparison is not None:
        yield Paragraph(contents.baseline.why)
    if contents.comparison is None:
        return
    for caution in contents.comparison["cautions"]:
        yield Paragraph(said(caution), "caution")
    ranks = _ranking(contents.comparison)
    if ranks.rows:
        yield ranks


def _alone(contents: Contents) -> Iterator[str]:
    """Where nothing can be compared."""
    counting = [row for row in contents.rows if row["takes"]]
    if not counting:
        yield _nothing(len(contents.takes))
        return
    (row, *_) = counting
    strums = counted(row["strums"], "strum")
    yield f"{row['pickup']} was measured over {counted(row['takes'], 'take')} with {strums}; {_reach(row)}"
    for key in contents.quantities[:MOST_SAID]:
        if row.get(key) is not None:
            meant = column(key)
            decimals, of = meant.quantity.decimals, "takes" if row["takes"] > 1 else "strums"
            value = f"{figure(row[key], decimals)} {meant.quantity.unit}"
            if row.get(f"{key}_low") is not None:
                value += f" (95 % interval {interval(row[f'{key}_low'], row[f'{key}_high'], decimals)})"
            yield f"{meant.name}: {value}, the mean of its {of}."
    if contents.without:
        yield f"Nothing was compared. {contents.without}"


def _nothing(takes: int) -> str:
    whose = "The only take of the session can't" if takes == 1 else f"None of the {takes} takes of the session can"
    return f"{whose} carry a comparison, so nothing is said of any pickup. Why, and what to do, stands with each below."


def _reach(row: Row) -> str:
    if row.get("interval_from") == "takes":
        return "its intervals hold plugging in again, as the takes differ by it."
    return "its intervals are those of one take: how far plugging in again moves it is not in them."


def _opening(comparison: Mapping[str, Any], rows: Sequence[Row], shown: Sequence[Row]) -> str:
    subjects = [one for one in comparison["subjects"] if one["takes"]]
    takes = sum(len(one["takes"]) for one in subjects)
    strums = sum(one["strums"] for one in subjects)
    judged = sum(row["withheld"] is None for row in rows)
    return (
        f"{counted(len(subjects) - 1, 'pickup was', 'pickups were')} held against {comparison['baseline']}, "
        f"over {counted(takes, 'take')} with {counted(strums, 'strum')} in all. Of {counted(judged, 'difference')} "
        f"judged, {_shown(comparison, len(shown))}"
    )


def _shown(comparison: Mapping[str, Any], number: int) -> str:
    """How many differences are shown, and how far chance may have made them."""
    if number == 0:
        return "none is shown."
    several = any(len(one["takes"]) > 1 for one in comparison["subjects"])
    scatter = "strums and takes scatter" if several else "the strums of a take scatter"
    by_chance = round(100 * (1 - comparison["confidence"]), 6)
    return (
        f"{number} {'is' if number == 1 else 'are'} shown: chance alone, as {scatter}, would show even one that is "
        f"not there in at most {by_chance:g} of 100 such comparisons."
        f"{'' if several else ' Plugging in again is not reckoned with.'}"
    )


def _two(rows: Sequence[Row]) -> bool:
    """Whether there is one pair to speak of, whose rows can speak for themselves."""
    return len({row["other"] for row in rows if row["withheld"] is None}) == 1


def _loudest(rows: Sequence[Row]) -> list[Row]:
    """By size in steps that an ear can tell, greatest first; what has no step comes last."""

    def steps(row: Row) -> float:
        step = ear_step(row["quantity"])
        return 0.0 if step is None else abs(row["difference"]) / step.step

    return sorted(rows, key=steps, reverse=True)


def _grouped(rows: Sequence[Row], shown: Sequence[Row]) -> list[str]:
    """A sentence for each of the quantities in which most is to be heard."""
    order = list(dict.fromkeys(row["quantity"] for row in _loudest(shown)))
    return [_of_quantity(key, [row for row in rows if row["quantity"] == key]) for key in order[:MOST_SAID]]


def _of_quantity(key: str, rows: Sequence[Row]) -> str:
    meant = column(key)
    parts = []
    for verdict, word in (("higher", meant.quantity.more), ("lower", meant.quantity.less)):
        found = sorted((row for row in rows if row["verdict"] == verdict), key=lambda row: -abs(row["difference"]))
        if found:
            parts.append(f"{word}: {some([_by(row) for row in found], MOST_NAMES)}")
    unclear = [row["other"] for row in rows if row["verdict"] == "no-difference-shown"]
    if unclear:
        parts.append(f"no difference shown: {some(unclear, MOST_NAMES)}")
    return f"{meant.name} \N{EN DASH} {'; '.join(parts)}."


def _by(row: Row) -> str:
    decimals = column(row["quantity"]).quantity.decimals
    return f"{row['other']} by {figure(abs(row['difference']), decimals)} {row['unit']}"


def _rest(comparison: Mapping[str, Any], rows: Sequence[Row], shown: Sequence[Row]) -> Iterator[str]:
    """Quantities without a sentence of their own, those in which nothing is shown, conditions that differ."""
    in_order = list(dict.fromkeys(row["quantity"] for row in _loudest(shown)))
    told = in_order[:MOST_SAID]
    further = _names(key for key in in_order if key not in told)
    judged = dict.fromkeys(row["quantity"] for row in rows if row["withheld"] is None)
    nowhere = _names(key for key in judged if key not in in_order)
    if further and nowhere:
        yield f"Differences are shown in {listed(further)} too, but none in {listed(nowhere, 'or')}. {NOT_NONE}"
    elif further:
        yield f"Differences are shown in {listed(further)} too."
    elif nowhere:
        yield f"No difference is shown in {listed(nowhere, 'or')}. {NOT_NONE}"
    fields = list(dict.fromkeys(_condition(one["field"]) for one in comparison["conditions"]))
    if fields and shown:
        yield (
            f"Not all was the same: {some(fields, MOST_NAMES)} differed between takes compared, which may be the "
            "reason for some of it."
        )


def _condition(field: str) -> str:
    return in_a_sentence(label_of(field).partition(",")[0])


def _names(keys: Iterable[str]) -> list[str]:
    return [in_a_sentence(column(key).name) for key in keys]


def _ranking(comparison: Mapping[str, Any]) -> Table:
    """Places of every quantity in which pickups fall apart."""
    rows = []
    for key, places in comparison["ranking"].items():
        if len(places) < 2:
            continue
        meant = column(key)
        number, told = 1, []
        for place in places:
            told.append(f"{number}: {', '.join(place)}")
            number += len(place)
        alike = [" with ".join(pair) for pair in comparison["alike"].get(key, [])]
        note = some(alike, MOST_NAMES) if len(alike) <= MOST_NAMES else f"{len(alike)} pairs"
        rows.append((f"{meant.name}: {meant.quantity.more} first", "; ".join(told), note if alike else NOTHING))
    heads = (
        Head("Quantity", width=0.9),
        Head("Places", width=2.6),
        Head("On different places, but not told apart", width=0.9),
    )
    kept = heads if any(row[2] != NOTHING for row in rows) else heads[:2]
    caption = "From most to least; those on one place can't be told apart by these takes"
    return Table(caption, kept, tuple(row[: len(kept)] for row in rows))
