"""JSON kept deflated: the same comes back, in less room, and nothing that is no JSON goes in."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from sqlalchemy.dialects import sqlite

from coilbench_worker.store.packed import PackedJson

DIALECT = sqlite.dialect()
PACKED = PackedJson()
JSON = st.recursive(
    st.none()
    | st.booleans()
    | st.integers(-(2**53), 2**53)
    | st.floats(allow_nan=False, allow_infinity=False)
    | st.text(),
    lambda inner: st.lists(inner) | st.dictionaries(st.text(), inner),
)


@given(JSON)
def test_what_was_kept_comes_back(value: object) -> None:
    assert PACKED.process_result_value(PACKED.process_bind_param(value, DIALECT), DIALECT) == value


def test_nothing_is_null() -> None:
    assert PACKED.process_bind_param(None, DIALECT) is None
    assert PACKED.process_result_value(None, DIALECT) is None


def test_courses_take_less_than_half_their_room() -> None:
    course = [round(-0.05 * step - (step % 7) / 10, 2) for step in range(1000)]
    packed = PACKED.process_bind_param({"db": course}, DIALECT)
    assert packed is not None
    assert len(packed) < len(str(course)) / 2


def test_no_number_is_an_error() -> None:
    with pytest.raises(ValueError, match="JSON compliant"):
        PACKED.process_bind_param([float("nan")], DIALECT)
