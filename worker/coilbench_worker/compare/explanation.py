"""A choice in words: one plain sentence for each candidate, with numbers and units."""

from collections.abc import Sequence

from coilbench_worker.compare.choice import Candidate, Choice, Miss, Wish
from coilbench_worker.compare.columns import column, in_a_sentence


def explanation(candidate: Candidate) -> str:
    """What a candidate of a choice misses, and what it has as wished."""
    missed = [_missed(one) for one in candidate.items if one.met is False]
    met = [_met(one) for one in candidate.items if one.met]
    unsaid = [in_a_sentence(column(one.quantity).name) for one in candidate.items if one.met is None]
    parts = []
    if missed:
        parts.append("misses " + _listed(missed))
    if met:
        parts.append(f"as wished: {', '.join(met)}")
    if unsaid:
        parts.append(f"nothing can be said of {_listed(unsaid)}")
    text = "; ".join(parts)
    return f"{text[0].upper()}{text[1:]}."


def verdict(choice: Choice, reference: str) -> str:
    """Whether any candidate fulfils the wish, in a sentence."""
    if not choice.ranking:
        return f"There is no pickup beside {reference} to choose from."
    if choice.fits:
        fitting = _listed(choice.fits)
        return f"{fitting} {'fulfil' if len(choice.fits) > 1 else 'fulfils'} the whole wish."
    closest = [one.key for one in choice.ranking if one.place == 1]
    if not closest:
        return "None can be shown to fulfil the wish."
    verb = "come closest and can't be told apart" if len(closest) > 1 else "comes closest"
    return f"None fulfils the whole wish; {_listed(closest)} {verb}."


def wished(wish: Wish) -> str:
    """A wish in words: `treble +2.0 dB`, `more treble by 1.0 dB or more`, `the same bass within 1.0 dB`."""
    meant = column(wish.quantity)
    name, unit, decimals = in_a_sentence(meant.name), meant.unit_of_difference, meant.quantity.decimals
    if wish.direction == "same":
        return f"the same {name} within {wish.ear_step:.{decimals}f} {unit}"
    sign = 1.0 if wish.direction == "more" else -1.0
    if wish.amount is None:
        return f"{name} {sign * wish.ear_step:+.{decimals}f} {unit} or {wish.direction}"
    return f"{name} {sign * wish.amount:+.{decimals}f} {unit}"


def _missed(miss: Miss) -> str:
    meant = column(miss.quantity)
    decimals, unit = meant.quantity.decimals, meant.unit_of_difference
    assert miss.miss is not None
    ratio = miss.miss_in_uncertainty
    certainty = "" if ratio is None else f"{_times(ratio)} its uncertainty, "
    steps = _steps(miss.miss_in_ear_steps or 0.0)
    doubt = "; not certain" if miss.sure is False else ""
    return (
        f"{in_a_sentence(meant.name)} by {miss.miss:.{decimals}f} {unit}, changing it by {miss.change:+.{decimals}f} "
        f"({certainty}{steps}{doubt})"
    )


def _times(ratio: float) -> str:
    if ratio < 1.0:
        return "less than"
    return "more than 100 times" if ratio > 100.0 else f"{ratio:.{0 if ratio >= 9.95 else 1}f} times"


def _steps(steps: float) -> str:
    if steps < 0.5:
        return "less than half a step that an ear can tell"
    if steps < 1.5:
        return "about one step that an ear can tell"
    return f"about {steps:.0f} steps that an ear can tell"


def _met(miss: Miss) -> str:
    meant = column(miss.quantity)
    text = f"{in_a_sentence(meant.name)} {miss.change:+.{meant.quantity.decimals}f} {meant.unit_of_difference}"
    return text if miss.sure else f"{text} (not certain)"


def _listed(texts: Sequence[str]) -> str:
    return texts[0] if len(texts) == 1 else f"{', '.join(texts[:-1])} and {texts[-1]}"
