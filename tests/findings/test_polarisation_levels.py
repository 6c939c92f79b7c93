"""Which carriers share spectrum."""

from hypothesis import given
from hypothesis import strategies as st

from spectra.findings.polarisation_levels import Shape, apart_from

SHAPES = st.lists(
    st.builds(Shape, st.integers(950, 1000).map(lambda mhz: mhz * 1e6), st.sampled_from([None, 1e6, 4e6, 20e6])),
    max_size=12,
)


@given(SHAPES, SHAPES)
def test_shapes_apart_overlap_none_of_the_others(some, others):
    """Long lists are held against each other as `Shape.overlaps` holds two."""
    assert apart_from(some, others) == [s for s in some if not any(s.overlaps(o) for o in others)]
