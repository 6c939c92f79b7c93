"""Segments cover their window, fit the analyser, and spare carriers where there is a gap."""

from itertools import pairwise

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from spectra.advice.segments import cut_into_segments, segment_of

EDGES = st.lists(st.tuples(st.floats(9e8, 2.2e9), st.floats(1e5, 8e7)), max_size=30)


def _cut(window, carriers, most, **more):
    low = np.array([start for start, _ in carriers])
    high = np.array([start + width for start, width in carriers])
    return cut_into_segments(window, low, high, most_span_hz=most, points=1001, margin_hz=1e6, **more)


@settings(max_examples=200, deadline=None)
@given(EDGES, st.floats(1e7, 2e9), st.floats(9.5e8, 1.5e9), st.floats(1e6, 1e9))
def test_segments_cover_the_window_and_fit(carriers, most, start, span) -> None:
    segments = _cut((start, start + span), carriers, most)
    assert segments[0].start_hz <= start
    assert segments[-1].stop_hz >= start + span - 1.0
    for left, right in pairwise(segments):
        assert left.start_hz < right.start_hz <= left.stop_hz < right.stop_hz
    assert all(segment.span_hz <= most * (1.0 + 1e-6) for segment in segments)
    assert len(segments) <= 4 + 4 * span / most


@settings(max_examples=300, deadline=None)
@given(EDGES, st.floats(1e8, 1e9))
def test_narrow_carriers_are_whole_in_some_segment(carriers, most) -> None:
    window = (9.5e8, 2.15e9)
    segments = _cut(window, carriers, most)
    for start, width in carriers:
        if window[0] < start and start + width < window[1] and width < most / 4:
            assert segment_of(segments, start, start + width) is not None


def test_a_cut_goes_into_the_gap() -> None:
    segments = _cut((1.0e9, 1.2e9), [(1.0e9 + 8e7, 4e7)], 1.1e8)
    # half of 200 MHz falls into the carrier from 1080 to 1120 MHz; the gap below it begins 1 MHz lower
    assert segments[0].stop_hz <= 1.08e9
    assert segment_of(segments, 1.08e9, 1.12e9) == 1


def test_only_occupied_leaves_out_the_rest() -> None:
    segments = _cut((1.0e9, 2.0e9), [(1.1e9, 5e6), (1.9e9, 5e6)], 1e8, only_occupied=True)
    assert [(s.start_hz, s.stop_hz) for s in segments] == [(1.099e9, 1.106e9), (1.899e9, 1.906e9)]
    assert _cut((1.0e9, 1.05e9), [], 1e8, only_occupied=True)[0].span_hz == 5e7
