"""Voltage magnitude beyond the plain rms: under- and overdeviation."""

from __future__ import annotations

import numpy as np

from pqcheck.physics.aggregation import rms_of_members
from pqcheck.physics.kinds import PercentArray, Volts, array, ratio


def underdeviation(members: Volts, declared: Volts) -> PercentArray:
    """How far a voltage stayed below the declared one, readings above it counted as equal.

    Parameters
    ----------
    members : array
        10/12-cycle voltages, one row per interval [g x m; V].
    declared : float
        Declared input voltage Udin [1; V].

    Returns
    -------
    array
        Underdeviation, not negative [g; %].

    Notes
    -----
    ``100 (Udin - sqrt(mean(min(U, Udin)^2))) / Udin``. A NaN member makes its row NaN.

    References
    ----------
    IEC 61000-4-30:2015, Annex D (quoted from memory).

    Example
    -------
    >>> underdeviation([[0.95, 1.05]], 1.0).round(5).tolist()
    [2.46795]
    """
    return 100 * ratio(array(declared) - rms_of_members(np.minimum(array(members), array(declared))), declared)


def overdeviation(members: Volts, declared: Volts) -> PercentArray:
    """How far a voltage stayed above the declared one, readings below it counted as equal.

    Parameters
    ----------
    members : array
        10/12-cycle voltages, one row per interval [g x m; V].
    declared : float
        Declared input voltage Udin [1; V].

    Returns
    -------
    array
        Overdeviation, not negative [g; %].

    Notes
    -----
    ``100 (sqrt(mean(max(U, Udin)^2)) - Udin) / Udin``. A NaN member makes its row NaN.

    References
    ----------
    IEC 61000-4-30:2015, Annex D (quoted from memory).

    Example
    -------
    >>> overdeviation([[0.95, 1.05]], 1.0).round(5).tolist()
    [2.53048]
    """
    return 100 * ratio(rms_of_members(np.maximum(array(members), array(declared))) - array(declared), declared)
