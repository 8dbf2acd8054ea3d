"""Medians and percentiles against numpy's own, to the last bit."""

from __future__ import annotations

import numpy as np
import pytest

from pqcheck.vetting.middle import median, nan_median, nan_percentile, percentile

SIZES = [1, 2, 3, 10, 11, 1000, 1001]


@pytest.mark.parametrize("dtype", [np.float64, np.float32, np.int64])
@pytest.mark.parametrize("size", SIZES)
def test_the_median_of_numpy(size: int, dtype: type) -> None:
    random = np.random.default_rng(size)
    for values in (1e3 * random.standard_normal(size), random.integers(0, 3, size), np.full(size, 0.1)):
        values = values.astype(dtype)
        assert median(values) == float(np.median(values))
        assert median(list(values)) == float(np.median(values))
        if dtype is not np.int64:
            assert nan_median(values) == float(np.median(values))
            values[::3] = np.nan
            assert np.isnan(median(values))
            assert size == 1 or nan_median(values) == float(np.nanmedian(values))


@pytest.mark.parametrize("percent", [0, 5, 25, 50, 90, 95, 100])
@pytest.mark.parametrize("size", SIZES)
def test_the_percentile_of_numpy(size: int, percent: float) -> None:
    random = np.random.default_rng(size)
    for values in (1e3 * random.standard_normal(size), random.integers(0, 3, size), np.full(size, 0.1)):
        values = values.astype(np.float64)
        assert percentile(values, percent) == float(np.percentile(values, percent))
        values[::3] = np.nan
        assert np.isnan(percentile(values, percent))
        assert size == 1 or nan_percentile(values, percent) == float(np.nanpercentile(values, percent))


def test_of_nothing_there_is_none() -> None:
    nothing = np.array([np.nan])
    assert np.isnan([median([]), nan_median(nothing), percentile([], 5), nan_percentile(nothing, 5)]).all()
