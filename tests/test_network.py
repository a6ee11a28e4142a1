"""The learned networks that see a whole clip, or a picture, against the same sums by SciPy's functions."""

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import ndimage
from scipy.special import expit, softmax

from analysis import network

Floats = NDArray[np.float64]


@pytest.fixture(scope="module")
def ensemble() -> network.ClipEnsemble:
    return network.load_clip_ensemble("skeleton")


@pytest.fixture(scope="module")
def features(ensemble: network.ClipEnsemble) -> Floats:
    """Pictures as they were learned from, as far as mean and spread go."""
    return np.random.default_rng(3).normal(ensemble.mean, ensemble.std, (40, len(ensemble.mean)))


def silu(x: Floats) -> Floats:
    return np.asarray(x * expit(x))


def chain(x: Floats, layers: tuple[network.Layer, ...]) -> Floats:
    for weight, bias in layers[:-1]:
        x = silu(x @ weight + bias)
    return np.asarray(x @ layers[-1][0] + layers[-1][1])


def test_outputs_are_the_sums_written_out(ensemble: network.ClipEnsemble, features: Floats) -> None:
    x = (features - ensemble.mean) / ensemble.std
    member = ensemble.members[1]
    seen = silu(chain(x, member.encode))
    counts = softmax(seen @ member.attention[0] + member.attention[1], axis=0)
    values = seen @ member.value[0] + member.value[1]
    heads = np.split(values, counts.shape[1], axis=1)
    pooled = np.concatenate([counts[:, h] @ v for h, v in enumerate(heads)])
    context = silu(chain(pooled[None], member.context))
    expected = chain(np.hstack([seen, np.repeat(context, len(seen), axis=0)]), member.head)
    np.testing.assert_allclose(ensemble.outputs(features)[1], expected, rtol=1e-9, atol=1e-9)


def test_the_order_of_pictures_does_not_matter(ensemble: network.ClipEnsemble, features: Floats) -> None:
    order = np.random.default_rng(4).permutation(len(features))
    there = ensemble.outputs(features)[:, order]
    np.testing.assert_allclose(ensemble.outputs(features[order]), there, rtol=1e-9, atol=1e-9)


def test_the_rest_of_the_clip_matters(ensemble: network.ClipEnsemble, features: Floats) -> None:
    alone, together = ensemble.outputs(features[:5]), ensemble.outputs(features)[:, :5]
    assert np.abs(alone - together).max() > 0.01


def test_pictures_without_a_person_count_for_nothing(
    ensemble: network.ClipEnsemble, features: Floats
) -> None:
    gaps = np.insert(features, 7, np.nan, axis=0)
    outs = ensemble.outputs(gaps)
    assert np.isnan(outs[:, 7]).all()
    np.testing.assert_allclose(np.delete(outs, 7, axis=1), ensemble.outputs(features), rtol=1e-9, atol=1e-9)
    assert np.isnan(ensemble.outputs(np.full((3, len(ensemble.mean)), np.nan))).all()


def test_a_long_clip_is_summed_up_from_some_of_its_pictures(
    ensemble: network.ClipEnsemble, features: Floats
) -> None:
    """Every picture many times over says the same as once."""
    long = np.tile(features, (1 + 2 * network.MOST_SUMMED // len(features) + 1, 1))
    outs = ensemble.outputs(long)
    assert outs.shape[1] == len(long) > 2 * network.MOST_SUMMED
    np.testing.assert_allclose(outs[:, : len(features)], ensemble.outputs(features), atol=0.02)


def test_a_picture_is_read_by_the_sums_written_out() -> None:
    """Convolutions against `scipy.ndimage.correlate`, a channel at a time."""
    ensemble = network.load_picture_ensemble("far_ends")
    rng = np.random.default_rng(5)
    channels = ensemble.members[0].convolutions[0][0].shape[0]
    picture = rng.normal(size=(84, 60, channels))
    numbers = rng.normal(0, ensemble.std)
    outs = ensemble.outputs(picture[None], numbers[None], np.inf)
    for member, told in zip(ensemble.members, outs[:, 0], strict=True):
        shown = picture
        for weight, bias, stride in member.convolutions:
            shown = silu(correlated(shown, weight)[::stride, ::stride] + bias)
        seen = silu(shown.transpose(2, 0, 1).ravel() @ member.describe[0] + member.describe[1])
        expected = chain(np.concatenate([numbers / ensemble.std, seen]), member.head)
        np.testing.assert_allclose(told, expected, rtol=1e-3, atol=1e-3)


def correlated(picture: Floats, weight: Floats) -> Floats:
    """Of a picture (H, W, C) and weights (C, k, k, K): (H, W, K), nothing beyond the edges."""
    one = [
        [ndimage.correlate(picture[..., c], weight[c, :, :, k], mode="constant") for c in range(len(weight))]
        for k in range(weight.shape[3])
    ]
    return np.sum(one, axis=1).transpose(1, 2, 0)
