"""Bulk conversion against Python's own ``float`` (correctly rounded, IEEE 754), bit for bit, signed zeros included."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from spectra.readers.convert import decimal_values

PLAIN = st.from_regex(r"[+-]?([0-9]{1,9}(\.[0-9]{0,6})?|\.[0-9]{1,9})", fullmatch=True).filter(str.isascii)


def converted(texts: list[str], decimal: str = ".", separators: str = ",\n") -> np.ndarray | None:
    data = "".join(t + separators[i % len(separators)] for i, t in enumerate(texts)).encode()
    raw = np.frombuffer(data, np.uint8)
    marks = np.flatnonzero(np.isin(raw, [ord(s) for s in separators]))
    return decimal_values(raw, marks, decimal)


@settings(max_examples=60, deadline=None)
@given(texts=st.lists(PLAIN, min_size=1, max_size=25))
def test_every_plain_number_is_what_float_makes_of_it(texts: list[str]) -> None:
    values = converted(texts)
    assert values is not None
    wanted = np.array([float(t) for t in texts])
    assert values.tobytes() == wanted.tobytes()


@pytest.mark.parametrize("digits", range(1, 16))
def test_numbers_of_any_length_up_to_fifteen_digits(digits: int) -> None:
    rng = np.random.default_rng(digits)
    texts = []
    for _ in range(3000):
        whole = "".join(map(str, rng.integers(0, 10, digits)))
        at = int(rng.integers(0, digits + 1))
        texts.append("-" * int(rng.integers(0, 2)) + whole[:at] + "." + whole[at:])
    values = converted(texts)
    assert values is not None
    assert values.tolist() == [float(t) for t in texts]


def test_decimal_comma_and_empty_cells() -> None:
    values = converted(["1,5", "", "-2,25", "", "3"], ",", ";\n")
    assert values is not None
    assert values.tolist() == [1.5, -2.25, 3.0]


@pytest.mark.parametrize("text", ["1.2.3", "-", "+", ".", "--1", "1-2", "1e5", "a", "1 2", "1234567890123456", "1-"])
def test_what_is_no_plain_number_is_left_to_the_slow_way(text: str) -> None:
    assert converted(["1.5", text, "2.5"]) is None
