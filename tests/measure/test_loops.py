"""The compiled loops against their definition in numpy, number by number, and against scipy's functions."""

import math
import sys
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import special

from spectra.measure import compiled, measure
from spectra.measure.compiled import loops, use
from spectra.measure.detect import find_edges, ladder, scan
from spectra.measure.fit import fit
from spectra.measure.floor import first_floors, floor_basis, floor_line, with_waves
from spectra.measure.information import information
from spectra.measure.linear import Band
from spectra.measure.model import evaluate
from spectra.measure.moves import stretch_of
from spectra.measure.questions import _best_cuts as best_cuts
from spectra.measure.response import best_orders
from spectra.measure.scene import BENDS, CW, LEAST_ROLL_OFF, MOST_ROLL_OFF, RC, Scene, Trace, stacked
from spectra.measure.seeds import seed_carriers
from spectra.measure.settled import settled
from spectra.measure.statistics import filter_lags, first_law, refined_law
from spectra.signal.blurred import edge
from spectra.signal.detectors import log_law, point_law, power_law

pytest.importorskip("numba", reason="the extra `fast` is not installed")


@pytest.fixture
def both():
    """Return what a function answers by numpy and by compiled loops."""
    before = loops() is not None

    def ask(function):
        answers = []
        for way in (False, True):
            assert use(way) == way
            answers.append(function())
        return answers

    yield ask
    use(before)


LAWS = {
    "power": power_law(10.0),
    "log": log_law(3.0),
    "voltage": point_law("voltage", 4.0),
    "peak": point_law("peak", 2.0, 6.0),
}


def a_scene(law="power", bent=False, line=False, wave=False, seed=5):
    rng = np.random.default_rng(seed)
    x = np.arange(600.0)
    basis = floor_basis(x, 1e6)
    if wave:
        basis = with_waves(basis, x, np.array([[0.09, 0.1, -0.05]]))
    own = LAWS[law]
    ripple = 0.1 * np.cos(0.05 * x) if line else None
    kind = np.array([RC, RC, RC, CW, RC, CW])
    theta = stacked(
        [
            [40.2, 75.1, 0.0, 2.0],
            [74.0, 120.7, 0.21, 1.1],
            [200.3, 209.9, 0.35, 0.4],
            [230.4, 230.4, 0.0, 2.5],
            [240.0, 410.0, 0.6, 3.0],
            [330.6, 330.6, 0.0, 4.0],
        ]
    )
    if bent:
        theta[4, 4 : 4 + BENDS] = [0.1, -0.05, 0.02, 0.0, 0.01, 0.03]
        theta[1, 4] = -0.2
    beta = basis.approximate(0.001 * x) + 0.05 * rng.standard_normal(basis.size)
    trace = Trace(x, np.zeros(x.size), 0.7, own, own.information, basis, ripple)
    scene = Scene(kind, theta, beta, basis.prior_strength)
    noise = own.offset + own.scale * np.log(rng.gamma(own.shape, 1.0 / own.shape, x.size))
    return replace(trace, y=evaluate(trace, scene).eta + noise), scene


def close(one, two, tolerance=1e-9):
    one, two = np.asarray(one), np.asarray(two)
    return one.shape == two.shape and np.abs(one - two).max(initial=0.0) <= tolerance * (
        1.0 + np.abs(one).max(initial=0)
    )


@settings(deadline=None)  # the first call compiles
@given(st.lists(st.tuples(st.floats(-20.0, 20.0), st.floats(0.0, 15.0)), min_size=1, max_size=40), st.floats(0.05, 5.0))
def test_edges(places, sigma):
    """As `spectra.signal.blurred.edge`, which the tests of that module hold against quadrature."""
    from spectra.measure.loops.many import edges_of

    x, a = np.array(places).T.copy()
    got = np.full((3, x.size), np.nan)
    edges_of(x, a, sigma, *got)
    assert np.abs(got - edge(x, a, sigma)).max() < 3e-9 / min(sigma, 1.0)


@pytest.mark.parametrize("end", [-4.2, 4.2, 42.0])
def test_edges_at_the_ends_of_their_cosine(end):
    """There the two halves of the formula meet: neither both nor none may count."""
    from spectra.measure.loops.many import edges_of

    x, a = np.array([end, np.nextafter(end, 0.0), np.nextafter(end, 99.0)]), np.full(3, abs(end))
    got = np.full((3, 3), np.nan)
    edges_of(x, a, 0.7, *got)
    assert np.abs(got - edge(x, a, 0.7)).max() < 3e-9


@settings(deadline=None)  # the first call compiles
@given(st.lists(st.floats(-700.0, 700.0), min_size=1, max_size=40))
def test_exponential_and_logarithm_of_many(values):
    """Against numpy's, to two units in the last place."""
    from spectra.measure.loops.many import exp_of, log_of

    x = np.array(values)
    got = np.full(x.size, np.nan)
    exp_of(x, got)
    assert got == pytest.approx(np.exp(x), rel=4.5e-16, abs=0.0)
    back, close_to_one = np.full(x.size, np.nan), 1.0 + 1e-3 * np.tanh(x)
    log_of(got, back)
    assert np.abs(back - np.log(got)).max() <= 4.5e-16 * np.abs(x).max() + 1e-300
    log_of(close_to_one, back)
    assert back == pytest.approx(np.log(close_to_one), rel=4.5e-16, abs=0.0)


@settings(deadline=None)  # the first call compiles
@given(st.floats(1e-4, 300.0))
def test_functions_of_one_number(x):
    """Against scipy.special."""
    from spectra.measure.loops.special import exp1, gamma_slopes

    assert exp1(x) == pytest.approx(special.exp1(x), rel=1e-12, abs=1e-300)
    assert gamma_slopes(x) == pytest.approx((special.digamma(x), float(special.polygamma(1, x))), rel=1e-12, abs=1e-12)


@pytest.mark.parametrize("law", LAWS)
@pytest.mark.parametrize("extra", [{}, {"bent": True}, {"line": True, "wave": True}])
def test_model_information_and_gradient(both, law, extra):
    trace, scene = a_scene(law, **extra)
    moved = replace(scene, theta=scene.theta + np.array([0.3, 0.3, 0.0, 0.05] + [0.0] * BENDS))
    one, two = both(lambda: evaluate(trace, moved))
    for name in ("power", "jacobian", "floor", "noise", "total", "eta", "weight", "misfit", "by_noise", "deviance"):
        assert close(getattr(one, name), getattr(two, name)), name
    assert close(one.doubt, two.doubt, 1e-8)
    assert one.lost == pytest.approx(two.lost, rel=1e-9)
    assert one.bent == pytest.approx(two.bent, rel=1e-12)
    frozen = np.arange(scene.count) == 1
    first, second = both(lambda: information(evaluate(trace, moved), frozen))
    assert close(first.gradient, second.gradient, 1e-8)
    assert np.array_equal(first.free, second.free)
    vector = np.random.default_rng(1).standard_normal(first.gradient.size)
    assert close(first.band.times(vector), second.band.times(vector))
    assert close(Band(first.rough, first.band.place).times(vector), Band(second.rough, second.band.place).times(vector))
    damping = 0.3 * first.diagonal, 0.3 * second.diagonal
    solutions = both(lambda: None) and [
        here.band.solve(here.gradient, here.free, raised) for here, raised in zip((first, second), damping, strict=True)
    ]
    assert close(solutions[0][0], solutions[1][0], 1e-7)
    assert solutions[0][1] == pytest.approx(solutions[1][1], rel=1e-9)


def test_the_inverse_where_parameters_meet(both):
    trace, scene = a_scene()
    here = information(evaluate(trace, scene))
    dense, within = both(lambda: here.band.inverse(here.free))
    there = within != 0.0
    assert np.abs(within - dense)[there].max() <= 1e-9 * np.abs(dense).max()
    k = 4 * scene.count
    for j in range(scene.count):  # a carrier's own, and with the floor under it
        own = slice(4 * j, 4 * j + 4)
        assert np.array_equal(dense[own, own] != 0.0, within[own, own] != 0.0)
        at = trace.basis.interval[int(scene.theta[j, :2].mean())]
        assert np.all(within[4 * j + 3, k + at : k + at + 4] != 0.0)


@pytest.mark.parametrize("bent", [False, True])
@pytest.mark.parametrize("law", LAWS)
def test_a_fit(both, law, bent):
    trace, scene = a_scene(law, bent)
    away = np.array([0.4, -0.3, 0.05, -0.1] + [0.03] * BENDS)
    start = replace(scene, theta=np.where(scene.theta == 0.0, 0.0, scene.theta + away), beta=0.9 * scene.beta)
    start.theta[scene.kind == CW, 1] = start.theta[scene.kind == CW, 0]
    (one, at), (two, there) = both(lambda: fit(trace, start, rounds=4))
    assert close(one.theta, two.theta, 1e-6)
    assert close(one.beta, two.beta, 1e-6)
    assert at.lost == pytest.approx(there.lost, abs=1e-6)
    assert there.lost < evaluate(trace, start).lost
    frozen = np.ones(scene.count, dtype=bool)
    (one, _), (two, _) = both(lambda: fit(trace, start, rounds=6, frozen=frozen))
    assert close(one.theta, two.theta, 1e-6)
    held = np.clip(start.theta[:, 2], LEAST_ROLL_OFF, MOST_ROLL_OFF)
    assert np.array_equal(two.theta[:, 2], held * (scene.kind == RC))


def test_responses_that_the_evidence_asks_for(both):
    trace, scene = a_scene(bent=True)
    scene = replace(scene, theta=scene.theta * np.array([1.0] * 4 + [5.0] * BENDS))
    trace = replace(trace, y=evaluate(trace, scene).eta)
    plain = replace(scene, theta=np.where(np.arange(4 + BENDS) < 4, scene.theta, 0.0))
    which = np.flatnonzero(scene.kind == RC)
    for some in (plain, scene):
        one, two = both(lambda some=some: best_orders(trace, some, evaluate(trace, some), which))
        assert one.tolist() == two.tolist()
        assert 0 < np.count_nonzero(one) < which.size


@pytest.mark.parametrize("bent", [None, [0]])
@pytest.mark.parametrize("least", [math.inf, -1e9])
def test_the_best_on_a_stretch(both, bent, least):
    trace, scene = a_scene(bent=True)
    scene = replace(scene, theta=scene.theta * np.array([1.0] * 4 + [5.0] * BENDS))
    trace = replace(trace, y=evaluate(trace, scene).eta)
    stretch = stretch_of(trace, scene, evaluate(trace, scene), np.array([4, 5]), 9.0)
    guess = [np.array([241.0, 409.0, 0.5, 2.9]), scene.theta[5, :4]]
    (one, lost), (two, other) = both(lambda: stretch.best([RC, CW], guess, 8, bent, least))
    assert close(one, two, 1e-6)
    assert lost == pytest.approx(other, abs=1e-6)
    assert two[0, 4:].any() == (bent is not None)


def test_a_fit_given_up_takes_no_step(both):
    trace, scene = a_scene()
    (one, _), (two, _) = both(lambda: fit(trace, scene, least=-1e9))
    assert one is scene
    assert two is scene


@pytest.mark.parametrize(("law", "bent", "line"), [("power", True, True), ("log", False, False)])
def test_places_of_a_cloud(both, law, bent, line):
    trace, scene = a_scene(law, bent, line)
    at = evaluate(trace, scene)
    one, two = both(lambda: settled(trace, scene, at, np.array([0.3, 0.05])))
    assert one.clouds.which.tolist() == two.clouds.which.tolist()
    assert one.clouds.which.size
    # The compiled loop takes edges from tables of its own.
    assert close(one.clouds.theta, two.clouds.theta, 2e-4)
    assert close(one.clouds.weight, two.clouds.weight, 2e-3)
    own = 4 * np.arange(scene.count)[:, None] + np.arange(4)  # farther parameters are not in the compiled band
    own = own[:, :, None], own[:, None, :]
    assert close(one.covariance[own], two.covariance[own], 5e-3)


def test_first_floors_and_edges(both):
    trace, _ = a_scene()
    assert close(*both(lambda: floor_line(trace.x, trace.y, 0.1)))
    floors = both(lambda: first_floors(trace.basis, trace.x, trace.y, trace.law, trace.information, 1e6))
    assert len(floors[0]) == len(floors[1])
    for (one, strength), (two, other) in zip(*floors, strict=True):
        assert close(one, two, 1e-6)
        assert strength == other
    one, two = both(lambda: find_edges(trace.y, 0.1, np.array([0.5, 0.2]), ladder(1.0, 100.0), 4.0))
    assert one == two
    assert len(one) > 5


@pytest.mark.parametrize("law", LAWS)
@pytest.mark.parametrize("least", [2.0, 4.0])  # the first finds more of one width than are looked at
def test_windows_that_stand_out(both, law, least):
    rng, own = np.random.default_rng(11), LAWS[law]
    ratio, share = rng.gamma(own.shape, 1.0 / own.shape, 2500), rng.uniform(0.3, 1.0, 2500)
    ratio[400:460] *= 1.8
    ratio[900:930] *= 0.4
    ratio[1200:2400] *= 1.0 + (least < 3.0)
    one, two = both(lambda: scan(ratio, share, own, np.array([0.4, 0.1]), ladder(1.0, 80.0), least))
    assert [(window.first, window.width) for window in one] == [(window.first, window.width) for window in two]
    assert close([window.score for window in one], [window.score for window in two])
    assert min(window.score for window in one) < -least < least < max(window.score for window in one)


def test_the_spline_its_products_and_its_variance(both):
    trace, scene = a_scene()
    basis, rng = trace.basis, np.random.default_rng(4)
    assert close(*both(lambda: basis.spline(scene.beta)))
    weight = rng.uniform(0.5, 2.0, trace.x.size)
    assert close(*both(lambda: basis.gram(weight)))
    root = rng.normal(size=(basis.size, basis.size))
    assert close(*both(lambda: basis.variance(root @ root.T)))


@pytest.mark.parametrize("seed", range(3))
def test_floors_that_grow_where_stretches_stand_high(both, seed):
    trace, _ = a_scene(seed=seed)
    high = np.where((trace.x > 60) & (trace.x < 330), 0.5, 0.0)  # too little for a block, enough for a stretch
    y = trace.y + high
    floors = both(lambda: first_floors(trace.basis, trace.x, y, trace.law, trace.information, 1e6))
    assert len(floors[0]) == len(floors[1])
    assert all(close(one, two, 1e-6) for (one, _), (two, _) in zip(*floors, strict=True))


def test_a_whole_measurement(both, scenes):
    """Carriers that the sweep tells well come out the same to a thousandth of their uncertainty."""
    setting = scenes.Setting(span_hz=600e6, points=1001, rbw_hz=1e6, readings=100)
    signals = [scenes.Signal(1300e6 + 90e6 * k, 30e6, 0.2, 12.0) for k in range(6)]
    sweep = scenes.sweep(np.random.default_rng(3), setting, signals)
    one, two = both(lambda: measure(sweep).carriers)
    assert len(one) == len(two) == 6
    for a, b in zip(one, two, strict=True):
        assert abs(a.centre_hz - b.centre_hz) < 1e-3 * a.centre_std_hz
        assert abs(a.symbol_rate_bd - b.symbol_rate_bd) < 1e-3 * a.symbol_rate_std_bd
        assert abs(a.cn_db - b.cn_db) < 1e-3 * a.cn_std_db
        assert a.centre_std_hz == pytest.approx(b.centre_std_hz, rel=1e-3)


@pytest.fixture
def anew(monkeypatch):
    """Let the loops be looked for once more, as in a process that has not found them yet."""
    before = loops() is not None
    for name in [name for name in sys.modules if name.startswith("spectra.measure.loops")]:
        monkeypatch.delitem(sys.modules, name)
    monkeypatch.delattr("spectra.measure.loops", raising=False)
    yield monkeypatch
    monkeypatch.undo()
    use(before)


def test_without_numba_numpy_does_it_all(anew):
    anew.setitem(sys.modules, "numba", None)
    assert not use(True)


@pytest.mark.parametrize("way", ["0", "1"])
def test_the_environment_chooses(monkeypatch, way):
    monkeypatch.setattr(compiled, "_choice", compiled._Choice())
    monkeypatch.setenv("SWEEPMUSTER_COMPILED", way)
    assert (loops() is not None) == (way == "1")


def test_an_inverse_that_loses_its_digits_is_made_in_full(both):
    """Two parameters that do nearly the same: the diagonal of the inverse stays positive and is that of numpy."""
    rng = np.random.default_rng(4)
    root = rng.standard_normal((12, 12))
    root[:, 5] = root[:, 4] * (1.0 + 1e-9)
    dense = root.T @ root
    lower = np.array([[dense[c + r, c] if c + r < 12 else 0.0 for r in range(12)] for c in range(12)])
    band, free = Band(lower, np.arange(12)), np.ones(12, dtype=bool)
    one, two = both(lambda: band.inverse(free))
    assert np.all(np.diag(two) > 0.0)
    assert np.diag(two) == pytest.approx(np.diag(one), rel=1e-3)


def test_what_was_compiled_from_other_sources_is_forgotten(tmp_path):
    """A function compiled into its callers' files would live on in them when its own file changes."""
    from spectra.measure.loops.kept import of_these

    sources, folder = [tmp_path / "one.py", tmp_path / "two.py"], tmp_path / "kept"
    for source in sources:
        source.write_text("1\n")
    assert not of_these(sources, folder, "two.*.nbi")
    (folder / "one.f.nbi").touch()
    assert not of_these(sources, folder, "two.*.nbi")
    (folder / "two.g.nbi").touch()
    assert of_these(sources, folder, "two.*.nbi")
    sources[0].write_text("22\n")
    assert not of_these(sources, folder, "two.*.nbi")
    assert not list(folder.glob("*.nbi"))
    folder.rename(tmp_path / "away")
    folder.write_text("no folder")
    with pytest.raises(ImportError, match="kept"):
        of_these(sources, folder, "two.*.nbi")


def test_where_nothing_can_be_kept_numpy_does_it_all(anew):
    """Every process would compile anew; numba says so by a RuntimeError."""
    import numba

    def nowhere(**_options):
        def refuse(_function):
            raise RuntimeError("cannot cache function: no locator available")

        return refuse

    anew.setattr(numba, "njit", nowhere)
    assert not use(True)


def test_the_law_of_the_residuals(both, scenes):
    """Of points of which some are not usable, some are outliers, and some stretches scatter more."""
    setting, rng = scenes.Setting(span_hz=1200e6, points=3000, rbw_hz=1e6), np.random.default_rng(6)
    sweep = scenes.sweep(rng, setting, [])
    residual = 0.3 * np.convolve(rng.normal(size=3002), [0.2, 0.9, 0.2], "valid")
    residual[700:1000] *= 4.0
    residual[[30, 60]] = 9.0, -9.0
    usable = rng.random(3000) < 0.8
    before = first_law(residual, sweep.spacing_hz, sweep.settings)
    lost = np.full(filter_lags(3000, sweep.spacing_hz, sweep.settings.rbw_hz).size + 1, 30.0)
    variances = []
    for even in (False, True):
        arguments = (before, residual, usable, lost, sweep.spacing_hz, sweep.settings, even)
        one, two = both(lambda arguments=arguments: refined_law(*arguments))
        assert one.law.variance == pytest.approx(two.law.variance, rel=1e-9)
        assert one.readings_std == pytest.approx(two.readings_std, rel=1e-9)
        assert close(one.correlation, two.correlation)
        assert one.correlation.size
        variances.append(one.law.variance)
    assert variances[1] < 0.8 * variances[0]


def test_steps_within_carriers(both):
    trace, scene = a_scene()
    weight = np.cumsum(np.r_[0.0, np.random.default_rng(8).uniform(0.5, 2.0, trace.x.size)])
    total = np.cumsum(np.r_[0.0, np.random.default_rng(9).normal(size=trace.x.size) + 2.0 * (trace.x > 350)])
    one, two = both(lambda: best_cuts(SimpleNamespace(trace=trace, scene=scene), total, weight))
    assert close(one, two)
    cuts = [cut for _, _, cut, _ in one]
    assert abs(cuts[4] - 351) < 5
    assert cuts[:4] == [-1] * 4
    assert cuts[5] == -1


def test_solutions_for_many_strengths(both):
    """Also against numpy's solver of full matrices, as `both` holds the band against itself."""
    trace, scene = a_scene()
    theta = scene.theta.copy()
    theta[scene.kind == RC, 2] = 0.2  # nought has no information: full matrices could not be solved
    here = information(evaluate(trace, replace(scene, theta=theta)))
    more, pull = np.array([0.0, 0.5, 40.0]), np.random.default_rng(1).normal(size=here.gradient.size)
    one, two = both(lambda: here.band.solve_at_each(here.gradient, here.free, here.rough, pull, more))
    assert close(one[0], two[0], 1e-6)
    assert close(one[1], two[1], 1e-9)
    raised = Band(here.band.lower + 40.0 * here.rough, here.band.place)
    rows = np.eye(here.gradient.size)[here.free]
    full = np.array([raised.times(row)[here.free] for row in rows])
    wanted = np.linalg.solve(full, (here.gradient - 40.0 * pull)[here.free])
    assert close(wanted, two[0][2][here.free], 1e-5)
    assert two[1][2] == pytest.approx(np.linalg.slogdet(full)[1], rel=1e-6)


def test_first_guesses(both):
    trace, scene = a_scene()
    tones = np.zeros(trace.x.size)
    tones[[150, 151, 480]] = 4.0
    trace, floor = replace(trace, y=trace.y + tones), trace.basis.floor(scene.beta)
    (kind, theta), (other_kind, other) = both(lambda: seed_carriers(trace, floor, np.array([0.3]), 4.0, 300.0))
    assert {RC, CW} <= set(kind.tolist())
    assert kind.tolist() == other_kind.tolist()
    assert close(theta, other)
