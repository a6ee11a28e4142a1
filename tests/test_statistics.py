"""Published worked examples, and two independent libraries (pingouin, scikit-learn)."""

import numpy as np
import pandas as pd
import pingouin
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats
from sklearn.metrics import cohen_kappa_score

from analysis.statistics import (
    bland_altman,
    change_limit,
    icc,
    kappa,
    mdc90,
    mdc95,
    mixed_half_width,
    retest_sem,
    sem,
)

# Shrout & Fleiss 1979, table 2: six subjects, four judges.
SHROUT_FLEISS = np.array(
    [[9, 2, 5, 8], [6, 1, 3, 2], [8, 4, 6, 8], [7, 1, 2, 6], [10, 5, 6, 9], [6, 2, 4, 7]], dtype=float
)
# Weir 2005, trial A: eight people, two trials [kg].
WEIR = np.array(
    [[146, 140], [148, 152], [170, 152], [90, 99], [157, 145], [156, 153], [176, 167], [205, 218]],
    dtype=float,
)
# Bland & Altman 1986: peak flow by a large and a mini meter [l/min].
LARGE = np.array([494, 395, 516, 434, 476, 557, 413, 442, 650, 433, 417, 656, 267, 478, 178, 423, 427.0])
MINI = np.array([512, 430, 520, 428, 500, 600, 364, 380, 658, 445, 432, 626, 260, 477, 259, 350, 451.0])


@pytest.mark.parametrize(
    ("sd", "reliability", "error", "change"),
    [(5, 0.91, 1.500, 4.158), (10, 0.90, 3.162, 8.765), (10, 0.75, 5.000, 13.859)],
)
def test_error_and_detectable_change(sd: float, reliability: float, error: float, change: float) -> None:
    """Computed from SEM = SD sqrt(1 - ICC) and MDC95 = 2.7719 SEM."""
    assert sem(sd, reliability) == pytest.approx(error, abs=5e-4)
    assert mdc95(sem(sd, reliability)) == pytest.approx(change, abs=5e-3)


def test_mdc90_factor() -> None:
    assert mdc90(1) == pytest.approx(2.3264, abs=3e-4)


@pytest.mark.parametrize(
    ("error", "change"), [(3.5, 9.7), (1.1, 3.0), (3.6, 10.0), (2.59, 7.2), (0.127, 0.353)]
)
def test_detectable_change_of_published_errors(error: float, change: float) -> None:
    """SEM of Pua 2008, Herrington, Hagins 1998, Prushansky 2008 [deg] and Enoch 2011 [cm]."""
    assert mdc95(error) == pytest.approx(change, abs=0.05)


def test_equal_half_widths_give_the_usual_detectable_change() -> None:
    assert change_limit(1.959964 * 2, 1.959964 * 2) == pytest.approx(mdc95(2))


def test_shrout_and_fleiss() -> None:
    expected = [0.1657, 0.2898, 0.7148, 0.4428, 0.6201, 0.9093]
    assert [e.value for e in icc(SHROUT_FLEISS).values()] == pytest.approx(expected, abs=5e-5)


def test_weir() -> None:
    forms = icc(WEIR)
    assert forms["ICC(2,1)"].value == pytest.approx(0.950, abs=5e-4)
    assert forms["ICC(3,1)"].value == pytest.approx(0.947, abs=6e-4)
    assert retest_sem(WEIR) == pytest.approx(7.56, abs=5e-3)
    assert mdc95(retest_sem(WEIR)) == pytest.approx(20.95, abs=5e-3)


@pytest.mark.parametrize("ratings", [SHROUT_FLEISS, WEIR, np.random.default_rng(3).normal(size=(12, 3))])
def test_icc_and_intervals_equal_an_independent_library(ratings: np.ndarray) -> None:
    n, k = ratings.shape
    long = pd.DataFrame(
        {"subject": np.repeat(range(n), k), "rater": np.tile(range(k), n), "score": ratings.ravel()}
    )
    table = pingouin.intraclass_corr(long, targets="subject", raters="rater", ratings="score")
    ours = list(icc(ratings).values())
    assert [e.value for e in ours] == pytest.approx(table["ICC"].tolist(), abs=1e-6)
    interval = next(column for column in table.columns if column.startswith("CI95"))
    for mine, theirs in zip(ours, table[interval], strict=True):
        assert [mine.low, mine.high] == pytest.approx(list(theirs), abs=0.0051)  # theirs are rounded to 0.01


def test_perfect_and_undefined_agreement() -> None:
    same = np.tile(np.arange(5.0)[:, None], 3)
    assert icc(same)["ICC(2,1)"].value == pytest.approx(1)
    assert np.isnan(icc(np.ones((4, 2)))["ICC(3,1)"].value)
    assert np.isnan(kappa(np.ones(5, int), np.ones(5, int), 2).value)


@pytest.mark.parametrize("ratings", [np.ones((1, 3)), np.array([[1, np.nan], [2, 3]]), np.ones(4)])
def test_incomplete_ratings_are_refused(ratings: np.ndarray) -> None:
    with pytest.raises(ValueError, match="complete"):
        icc(ratings)


@pytest.mark.parametrize("weights", ["none", "linear", "quadratic"])
@settings(deadline=None)  # a loaded machine is no fault
@given(pairs=st.lists(st.tuples(st.integers(0, 3), st.integers(0, 3)), min_size=4, max_size=40))
def test_kappa_equals_an_independent_library(weights, pairs) -> None:
    a, b = np.array(pairs).T
    got = kappa(a, b, 4, weights)
    if len(set(a) | set(b)) == 1:
        assert np.isnan(got.value)
        return
    theirs = cohen_kappa_score(a, b, labels=range(4), weights=None if weights == "none" else weights)
    assert got.value == pytest.approx(theirs, abs=1e-9)
    assert got.low <= got.value + 1e-9
    assert got.value <= got.high + 1e-9


def test_kappa_interval_covers_the_true_value() -> None:
    """Two raters agree with a hidden truth in 80 %: of 95 % intervals from 60 ratings, 92-97 % hold it."""
    rng = np.random.default_rng(4)
    a, b = _rate_twice(rng, 400_000)
    truth = kappa(a, b, 2).value
    intervals = [kappa(*_rate_twice(rng, 60), 2) for _ in range(2000)]
    assert 0.92 <= np.mean([e.low <= truth <= e.high for e in intervals]) <= 0.97


def _rate_twice(rng: np.random.Generator, n: int) -> tuple[np.ndarray, np.ndarray]:
    truth = rng.random(n) < 0.4
    return (truth ^ (rng.random(n) < 0.2)).astype(int), (truth ^ (rng.random(n) < 0.2)).astype(int)


def test_bland_and_altman() -> None:
    """Bland & Altman 1986, Lancet 327:307; the large meter minus the mini meter."""
    got = bland_altman(MINI, LARGE)
    assert got.bias.value == pytest.approx(-2.118, abs=5e-4)
    assert got.sd == pytest.approx(38.765, abs=5e-4)
    assert [got.lower.value, got.upper.value] == pytest.approx([-78.10, 73.86], abs=5e-3)
    # The paper's intervals: bias -22.0 to 17.8, lower limit -114.3 to -45.1, so +-34.6 (from memory).
    assert [got.bias.low, got.bias.high] == pytest.approx([-22.0, 17.8], abs=0.06)
    assert (got.lower.high - got.lower.low) / 2 == pytest.approx(34.6, abs=0.1)
    assert got.bias.value - 2 * got.sd == pytest.approx(-79.65, abs=5e-3)
    assert got.bias.value + 2 * got.sd == pytest.approx(75.41, abs=5e-3)


def test_two_pairs_are_too_few_for_agreement() -> None:
    with pytest.raises(ValueError, match="three pairs"):
        bland_altman(np.zeros(2), np.ones(2))


def test_a_mixed_half_width_holds_95_percent_of_what_scipy_draws() -> None:
    widths, shares, n = (3.0, 0.5), (0.3, 0.7), 400_000
    rng = np.random.default_rng(1)
    wide = rng.random(n) < shares[0]
    errors = stats.norm.rvs(scale=np.where(wide, *widths) / stats.norm.ppf(0.975), size=n, random_state=rng)
    assert (np.abs(errors) < mixed_half_width(widths, shares)).mean() == pytest.approx(0.95, abs=0.002)
    assert mixed_half_width((2.0, 2.0), shares) == 2.0
    assert mixed_half_width(widths, (1.0, 0.0)) == pytest.approx(3.0)
