"""What sampling, filtering and noise do to a peak: why the highest sample is neither the highest pressure nor a bound.

Three things pull the highest sample down: the gap between samples, the lag of transducer and filter, and the step of
the converter. Two push it up: noise, because the greatest of many noisy samples was lucky, and the ring of an undamped
gauge. The rules that make a result (calc/exact) are plain; this file holds the theory they are checked against, and
what a person choosing a transducer needs. It knows nothing of channels, records or verdicts.
"""

import math

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import log_ndtr

LONGEST_RAMP_SAMPLES = 10_000_000
"""Most samples one expected maximum may weigh: more than a day of ramp at 100 Hz is a sign of a wrong rate."""

_REACH_SD = 9.0
"""How far the tails are followed [standard deviations]: beyond, one sample in 1e19 lies."""

_GRID = 4001
"""Points of the integral over those tails: finer changes the result by less than 1e-9."""

_ALIKE_SD = 0.01
"""Neighbours closer together than this weigh as one [standard deviations]: a slow ramp at a high rate stays cheap."""

_BLOCK = 256
"""Samples weighed at once: with the grid that is 8 MB, which stays in the cache of a large machine."""


def missed_between_samples_pa(rate_pa_per_s: ArrayLike, interval_s: ArrayLike) -> np.ndarray:
    """Return the most by which the last sample before a drop may lie below the true peak of a ramp.

    Parameters
    ----------
    rate_pa_per_s : array_like
        Ramp rate [Pa/s].
    interval_s : array_like
        Longest time between two samples [s].

    Returns
    -------
    ndarray
        Largest under-read [Pa]; the mean is half of it, since the drop comes at any moment alike.

    Assumes
    -------
    A drop much faster than the sampling, independent of it.

    Source
    ------
    Geometry: a straight line sampled every `interval_s`.

    Examples
    --------
    10 psi/s sampled every 0.1 s (linear, so psi in, psi out):

    >>> float(missed_between_samples_pa(10.0, 0.1))
    1.0
    """
    return np.abs(rate_pa_per_s) * np.asarray(interval_s, dtype=float)


def missed_by_lag_pa(rate_pa_per_s: ArrayLike, tau_s: ArrayLike, elapsed_s: ArrayLike = math.inf) -> np.ndarray:
    """Return how far a first-order lag reads below a ramp.

    Parameters
    ----------
    rate_pa_per_s : array_like
        Ramp rate [Pa/s].
    tau_s : array_like
        Time constant of transducer and filter together [s], above 0.
    elapsed_s : array_like
        Since the ramp began [s]; long after, the under-read has settled.

    Returns
    -------
    ndarray
        Under-read [Pa], rate times tau once settled.

    Assumes
    -------
    One time constant, at rest before the ramp.

    Source
    ------
    Theory of linear systems: response of 1/(1 + tau s) to a ramp.

    Examples
    --------
    10 psi/s through 20 ms:

    >>> round(float(missed_by_lag_pa(10.0, 0.020)), 12)
    0.2
    """
    tau = np.asarray(tau_s, dtype=float)
    return np.asarray(rate_pa_per_s) * tau * -np.expm1(-np.asarray(elapsed_s, dtype=float) / tau)


def missed_pa(rate_pa_per_s: float, interval_s: float, tau_s: float, resolution_pa: float) -> float:
    """Return how far the true peak of a ramp may lie above its highest sample, noise apart.

    Parameters
    ----------
    rate_pa_per_s : float
        Ramp rate [Pa/s].
    interval_s : float
        Longest time between two samples [s].
    tau_s : float
        Time constant of transducer and filter together [s].
    resolution_pa : float
        One step of the converter [Pa]; rounding hides half of it.

    Returns
    -------
    float
        Largest under-read [Pa].

    Assumes
    -------
    A uniform ramp, a drop faster than the sampling, a converter that rounds.

    Source
    ------
    Sum of `missed_between_samples_pa`, `missed_by_lag_pa` and half a step.

    Examples
    --------
    >>> round(missed_pa(10.0, 0.1, 0.020, 0.05), 12)
    1.225
    """
    return abs(rate_pa_per_s) * interval_s + abs(rate_pa_per_s) * tau_s + 0.5 * resolution_pa


def bandwidth_hz(rise_time_s: ArrayLike) -> np.ndarray:
    """Return the -3 dB bandwidth of a first-order system from its 10 % to 90 % rise time.

    Parameters
    ----------
    rise_time_s : array_like
        From 10 % to 90 % of a step [s], above 0.

    Returns
    -------
    ndarray
        Bandwidth [Hz].

    Assumes
    -------
    First order. Data sheets often leave unsaid whether a time is 10-90 %, 63 % or "response": ask.

    Source
    ------
    Bandwidth times rise time is ln 9 / (2 pi) = 0.34970, the 0.35 of every oscilloscope handbook.

    Examples
    --------
    A standard transmitter's 2 ms:

    >>> round(float(bandwidth_hz(0.002)))
    175
    """
    return math.log(9.0) / (2.0 * math.pi) / np.asarray(rise_time_s, dtype=float)


def time_constant_s(rise_time_s: ArrayLike) -> np.ndarray:
    """Return the time constant of a first-order system from its 10 % to 90 % rise time.

    Parameters
    ----------
    rise_time_s : array_like
        From 10 % to 90 % of a step [s].

    Returns
    -------
    ndarray
        Time constant [s].

    Assumes
    -------
    First order.

    Source
    ------
    A step passes 10 % at tau ln(10/9) and 90 % at tau ln(10): their difference is tau ln 9.

    Examples
    --------
    >>> round(float(time_constant_s(0.002)) * 1e6)
    910
    """
    return np.asarray(rise_time_s, dtype=float) / math.log(9.0)


def undamped_overread(frequency_ratio: ArrayLike) -> np.ndarray:
    """Return the fraction by which an undamped gauge exaggerates a sine of pressure.

    Parameters
    ----------
    frequency_ratio : array_like
        Frequency of the pressure over the gauge's natural frequency [-], at least 0 and below 1.

    Returns
    -------
    ndarray
        Over-read as a fraction of the amplitude [-].

    Raises
    ------
    ValueError
        If a ratio is not from 0 to below 1: at resonance the reading means nothing.

    Assumes
    -------
    Second order, no damping, long after the start.

    Source
    ------
    Theory: 1/(1 - r^2) - 1. Hence the rule "use a gauge below a fifth of its natural frequency": 4 %.

    Examples
    --------
    >>> [round(100.0 * float(undamped_overread(r)), 1) for r in (0.1, 0.2, 0.3, 0.5)]
    [1.0, 4.2, 9.9, 33.3]
    """
    ratio = np.asarray(frequency_ratio, dtype=float)
    if not np.all((ratio >= 0.0) & (ratio < 1.0)):
        raise ValueError(f"frequency ratio is {frequency_ratio}; allowed: 0 to below 1; use a stiffer, shorter gauge")
    return ratio**2 / (1.0 - ratio**2)


def _maximum_log_cdf(level_sd: np.ndarray, samples: int, step_sd: float) -> np.ndarray:
    """Return ln P(max <= level) for normal samples that stand 0, 1, 2 ... steps below the ramp's end."""
    if step_sd == 0.0:
        return samples * log_ndtr(level_sd)
    # Samples further down than both tails together never win: leaving them out changes nothing.
    competing = int(min(samples, 2.0 * _REACH_SD / step_sd + 2.0))
    alike = int(max(1.0, min(competing, _ALIKE_SD / step_sd)))
    first = np.arange(0, competing, alike)
    weight = np.minimum(alike, competing - first)
    below = (first + 0.5 * (weight - 1)) * step_sd
    total = np.zeros_like(level_sd)
    for block in range(0, len(below), _BLOCK):
        part = slice(block, block + _BLOCK)
        total += log_ndtr(level_sd[:, None] + below[part]) @ weight[part]
    return total


def expected_maximum_sd(samples: int, step_sd: float = 0.0) -> float:
    """Return by how much the greatest of n noisy samples is expected to exceed the true end of the ramp.

    Parameters
    ----------
    samples : int
        How many samples the ramp has, at least 1 [-].
    step_sd : float
        Rise of the ramp from one sample to the next, in standard deviations of the noise [-]; 0 for a plateau, where
        all samples compete. On a ramp only the last few do, so the bias is smaller and does not grow with its length.

    Returns
    -------
    float
        Expected excess in standard deviations of the noise [-]; multiply by the noise [Pa].

    Raises
    ------
    ValueError
        If the number of samples is not 1 to `LONGEST_RAMP_SAMPLES`, or the step is negative or not finite.

    Assumes
    -------
    Independent normal noise. A filter makes neighbours alike, and the excess smaller.

    Source
    ------
    Mean of the largest order statistic, by integration of its distribution. Plateau: Tippett, Biometrika 17 (1925) 364.

    Examples
    --------
    Two samples of a plateau exceed by 1/sqrt(pi), a hundred by 2.508:

    >>> round(expected_maximum_sd(2), 5), round(expected_maximum_sd(100), 3)
    (0.56419, 2.508)
    """
    if not 1 <= samples <= LONGEST_RAMP_SAMPLES:
        raise ValueError(f"{samples} samples; allowed: 1 to {LONGEST_RAMP_SAMPLES}; is the sampling rate right?")
    if not 0.0 <= step_sd < math.inf:
        raise ValueError(f"step is {step_sd} standard deviations; allowed: 0 or more, finite; the ramp must rise")
    level = np.linspace(-_REACH_SD, _REACH_SD, _GRID)
    cdf = np.exp(_maximum_log_cdf(level, samples, step_sd))
    # E[max] = top - integral of the distribution function from far below to top.
    return float(_REACH_SD - np.trapezoid(cdf, level))


def maximum_within(level_sd: ArrayLike, samples: int, step_sd: float = 0.0) -> np.ndarray:
    """Return the probability that the greatest of n noisy samples exceeds the ramp's end by no more than a level.

    Parameters
    ----------
    level_sd : array_like
        Excess over the true end of the ramp, in standard deviations of the noise [-].
    samples : int
        How many samples the ramp has [-].
    step_sd : float
        Rise of the ramp from one sample to the next, in standard deviations of the noise [-].

    Returns
    -------
    ndarray
        Probability, same shape as `level_sd` [-].

    Assumes
    -------
    As `expected_maximum_sd`.

    Source
    ------
    Product of the samples' distribution functions, since they are independent.

    Examples
    --------
    The median sample of one is the ramp itself:

    >>> float(maximum_within(0.0, 1))
    0.5
    """
    level = np.asarray(level_sd, dtype=float)
    return np.exp(_maximum_log_cdf(level.reshape(-1), samples, step_sd)).reshape(level.shape)
