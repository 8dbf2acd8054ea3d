"""Members of a longer interval to one value; a group with a missing member has none."""

from __future__ import annotations

import numpy as np

from pqcheck.physics.kinds import Count, Same, SameArray, Squares, array


def rms_of_squares(square_sums: Squares, size: Count) -> SameArray:
    """Root of the mean of squares, from the sum of the squares of each group.

    Parameters
    ----------
    square_sums : array
        Sum of the squares of the members of each group [g; squared unit].
    size : int
        Members of one group [1; count].

    Returns
    -------
    array
        One value per group [g; same unit].

    Notes
    -----
    ``sqrt(sum(x_i^2) / m)``. NaN gives NaN.

    References
    ----------
    IEC 61000-4-30:2015, 4.5 (quoted from memory).

    Example
    -------
    >>> rms_of_squares([14 * 230.0**2], 15).round(4).tolist()
    [222.2011]
    """
    return np.sqrt(array(square_sums) / size)


def rms_of_members(members: Same) -> SameArray:
    """Root of the mean of the squares of the members of each group.

    Parameters
    ----------
    members : array
        One row per group [g x m; same unit].

    Returns
    -------
    array
        One value per group [g; same unit].

    Notes
    -----
    ``sqrt(sum(x_i^2) / m)``. Exact for rms values of adjacent intervals of equal length. A NaN member makes its group
    NaN: an aggregate exists only if all its members do.

    References
    ----------
    IEC 61000-4-30:2015, 4.5 (quoted from memory).

    Example
    -------
    >>> rms_of_members([[230.0] * 14 + [0.0]]).round(4).tolist()
    [222.2011]
    """
    rows = array(members)
    return rms_of_squares(np.square(rows).sum(axis=-1), rows.shape[-1])


def mean_of_members(members: Same) -> SameArray:
    """Arithmetic mean of the members of each group.

    Parameters
    ----------
    members : array
        One row per group [g x m; same unit].

    Returns
    -------
    array
        One value per group [g; same unit].

    Notes
    -----
    ``sum(x_i) / m``. Right for power and frequency, wrong for rms values. A NaN member makes its group NaN.

    References
    ----------
    IEC 61000-4-30:2015, 4.5 and 5.1 (quoted from memory).

    Example
    -------
    >>> mean_of_members([[49.99, 50.01, 50.03]]).round(4).tolist()
    [50.01]
    """
    rows = array(members)
    return np.asarray(rows.sum(axis=-1) / rows.shape[-1])


def cubic_mean_of_members(members: Same) -> SameArray:
    """Cube root of the mean of the cubes of the members of each group.

    Parameters
    ----------
    members : array
        One row per group [g x m; same unit].

    Returns
    -------
    array
        One value per group [g; same unit].

    Notes
    -----
    ``(sum(x_i^3) / m)^(1/3)``. A NaN member makes its group NaN.

    References
    ----------
    IEC 61000-4-15:2010, long-term flicker (quoted from memory).

    Example
    -------
    >>> cubic_mean_of_members([[1.0, 2.0]]).round(6).tolist()
    [1.650964]
    """
    rows = array(members)
    return array(np.cbrt((rows * rows * rows).sum(axis=-1) / rows.shape[-1]))
