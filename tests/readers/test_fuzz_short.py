"""A short run of the fuzz campaign, and files of arbitrary bytes and text: only our own errors, only sound sweeps."""

from __future__ import annotations

import importlib.util
from collections import Counter
from pathlib import Path
from types import ModuleType

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

CAMPAIGN = Path(__file__).parent.parent / "campaigns" / "fuzz_readers.py"


@pytest.fixture(scope="module")
def campaign() -> ModuleType:
    spec = importlib.util.spec_from_file_location("fuzz_readers", CAMPAIGN)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.mark.parametrize("seed", [1, 2])
def test_mutated_files(campaign: ModuleType, seed: int) -> None:
    count = campaign.run(1500, seed)
    assert count["failed"] == 0
    assert count["read"] > 100  # the mutations leave enough whole: the run says something


FOUND_BY_FUZZING = [
    "Unit: dBm\n-91,0inf\r\n-91,2\r\n-90,0\r\n-90,3\r\n",
    "a\n" + "1" * 5000 + "x,1\n2,3\n",
    "RBW: " + "9" * 400 + " kHz\nMHz,dBm\n1,2\n2,3\n3,1\n",
    "MHz,dBm\n1,2\n1e999,3\n3,1\n",
]


@pytest.mark.parametrize("text", FOUND_BY_FUZZING)
def test_found_by_fuzzing(campaign: ModuleType, text: str) -> None:
    campaign.tried(text.encode(), Counter())


@settings(max_examples=150, deadline=None)
@given(data=st.binary(max_size=400))
def test_arbitrary_bytes(campaign: ModuleType, data: bytes) -> None:
    campaign.tried(data, Counter())


LINES = st.lists(
    st.text(st.sampled_from("0123456789.,;\t -+eE:=/\"'()[]#!MHzkGdBmuVRWTracFqLvl\n\r\u2212\u00b5|%"), max_size=30),
    max_size=25,
)


@settings(max_examples=300, deadline=None)
@given(lines=LINES, end=st.sampled_from(["\n", "\r\n", "\r"]))
def test_arbitrary_lines_of_likely_characters(campaign: ModuleType, lines: list[str], end: str) -> None:
    campaign.tried(end.join(lines).encode(), Counter())
