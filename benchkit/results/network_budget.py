"""
Uncertainty of corrected S-parameters, and of whatever is found from them over a band.

A calibration leaves residuals of directivity, match and tracking (M. Rytting; EURAMET cg-12, 2011: the residuals' view); the
largest that its check standards showed bounds each of them, anywhere in a disc of that radius, so that its real part has the
standard uncertainty r / 2. To first order in the residuals D, M (ports 1 and 2), T (reflection) and t (transmission tracking):

    dS11 = D1 + T1 S11 + M1 S11^2 + M2 S12 S21          dS21 = S21 (t + M1 S11 + M2 S22)

and the other two likewise. Noise, non-linearity of the receivers, and drift with bent cables come on top; so does what the kit's
standards are off by, which no residual shows (kit_errors.py), and what files of fixtures may be wrong by (fixture_errors.py).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from benchkit.results.fixture_errors import (
    FIXTURE_LOSS,
    FIXTURE_MATCH,
    FixtureErrors,
    fixture_loss_db,
    fixture_match,
    fixture_moves,
)
from benchkit.results.kit_errors import KitErrors, kit_amounts, kit_moves
from benchkit.results.uncertainty import Contribution

__all__ = ["EXTREME", "FixtureErrors", "NetworkErrors", "figure_budgets", "magnitude_budget_db", "network_lines"]

Complexes = NDArray[np.complex128]
Floats = NDArray[np.float64]
Figures = Callable[[Floats, Complexes], Mapping[str, Floats]]

# Of one input quantity at a time: its standard deviation is then known to 4 %.
DRAWS = 300
LARGEST_DRAW = 60_000
SEED = 12
PER_DB = math.log(10.0) / 20.0
# Of complex noise a term is larger than this many times its standard deviation in one of 8000 cases, exp(-SIGNIFICANT^2).
SIGNIFICANT = 3.0


@dataclass(frozen=True)
class NetworkErrors:
    """
    What a corrected sweep may be off by; 0 for what is nothing.

    Attributes:
        reflection: Largest |corrected - known| of a reflection that the check standards showed. [1]
        transmission: The same of a transmission. [1]
        noise: Standard deviation of each corrected parameter (real and imaginary part together), shape (n, 2, 2). [1]
        linearity_db, drift_db: Limits of error of any ratio. [dB]
        fixtures: Of what was de-embedded.
        kit: Of the standards themselves.
    """

    reflection: float
    transmission: float
    noise: Floats
    linearity_db: float = 0.0
    drift_db: float = 0.0
    fixtures: FixtureErrors = field(default_factory=FixtureErrors)
    kit: KitErrors = field(default_factory=KitErrors)

    def __post_init__(self) -> None:
        for name in ("reflection", "transmission", "linearity_db", "drift_db"):
            value = getattr(self, name)
            if not 0 <= value < math.inf:
                raise ValueError(f"{name} is {value}; expected a finite number, not below zero")
        if self.noise.ndim != 3 or self.noise.shape[1:] != (2, 2) or not (np.isfinite(self.noise) & (self.noise >= 0)).all():
            raise ValueError(f"noise of shape {self.noise.shape} or a value that is none; expected (n, 2, 2), not below zero")


def network_lines(errors: NetworkErrors) -> Iterator[tuple[str, NetworkErrors]]:
    """The errors one by one, by name; each leaves the others nothing."""
    nothing = NetworkErrors(0.0, 0.0, np.zeros_like(errors.noise))
    yield "residual directivity", replace(nothing, reflection=errors.reflection)
    yield "residual match", replace(nothing, reflection=errors.reflection)
    yield "residual reflection tracking", replace(nothing, reflection=errors.reflection)
    yield "residual transmission tracking", replace(nothing, transmission=errors.transmission)
    yield NOISE, replace(nothing, noise=errors.noise)
    yield "network analyser linearity", replace(nothing, linearity_db=errors.linearity_db)
    yield "drift and cables since calibration", replace(nothing, drift_db=errors.drift_db)
    yield FIXTURE_MATCH, replace(nothing, fixtures=FixtureErrors(reflection=errors.fixtures.reflection))
    yield FIXTURE_LOSS, replace(nothing, fixtures=FixtureErrors(loss_db=errors.fixtures.loss_db))
    for name, kit in errors.kit.each.items():
        yield name, replace(nothing, kit=kit)


NOISE = "network analyser noise"
EXTREME = "an extreme among uncertain points"


def magnitude_budget_db(s: Complexes, errors: NetworkErrors, point: int, i: int, j: int) -> tuple[Contribution, ...]:
    """
    Linear propagation for 20 log10 |S(i+1)(j+1)| at one frequency; in dB.

    Args:
        s: Corrected, shape (n, 2, 2).
        errors: Of that sweep.
        point: Index of the frequency.
        i, j: 0 or 1 each.
    """
    at = s[point]
    size, per_one = abs(at[i, j]), 1.0 / (PER_DB * abs(at[i, j]))
    own, other = at[i, i], at[1 - i, 1 - i]
    loop = at[0, 1] * at[1, 0]
    half, across = errors.reflection / 2, errors.transmission / 2
    if i == j:
        residuals = {
            "residual directivity": half,
            "residual match": half * math.hypot(abs(own) ** 2, abs(loop)),
            "residual reflection tracking": half * size,
        }
    else:
        residuals = {
            "residual match": half * size * math.hypot(abs(own), abs(other)),
            "residual transmission tracking": across * size,
        }
    residuals[FIXTURE_MATCH] = fixture_match(at, errors.fixtures, i, j)
    residuals |= kit_amounts(at, errors.kit, i, j)
    relative = {"network analyser linearity": errors.linearity_db, "drift and cables since calibration": errors.drift_db}
    return (
        *(Contribution(name, value, per_one) for name, value in residuals.items()),
        Contribution(NOISE, float(errors.noise[point, i, j]) / math.sqrt(2.0), per_one),
        *(Contribution(name, limit_db / math.sqrt(3.0), distribution="rectangular") for name, limit_db in relative.items()),
        Contribution(FIXTURE_LOSS, fixture_loss_db(errors.fixtures, i, j)),
    )


def figure_budgets(
    frequency_hz: Floats, s: Complexes, errors: NetworkErrors, figures: Figures
) -> dict[str, tuple[Contribution, ...] | str]:
    """
    Budgets of figures found from a whole sweep, each error drawn by itself (JCGM 101, with one input at a time).

    A residual's variance is half slow over the band, half different from point to point: neither a difference within the band
    nor a mean over it then looks better than it is. Linearity and drift are slow.
    The highest or lowest of noisy points lies beyond the true one; how far the mean of the draws lies from the figure of a
    smoothed sweep, all errors at once, is a contribution of its own (drawn about the sweep as read, which has its noise already,
    it would come out too small).

    Args:
        frequency_hz: Shape (n,). [Hz]
        s: Corrected, shape (n, 2, 2), every reading there.
        errors: Of that sweep.
        figures: From frequencies and S of shape (draws, n, 2, 2) to figures by name, each of shape (draws,).

    Returns:
        By name: contributions in the unit of the figure; or why there are none.
    """
    draws = max(50, min(DRAWS, LARGEST_DRAW // len(s)))
    generator = np.random.default_rng(SEED)
    centre = {name: float(values[0]) for name, values in figures(frequency_hz, s[np.newaxis]).items()}
    found: dict[str, list[Contribution]] = {name: [] for name in centre}
    lost: dict[str, str] = {}
    together = np.zeros((draws, *s.shape), dtype=np.complex128)
    for name, alone in network_lines(errors):
        moved = _drawn(name, frequency_hz, s, alone, generator, draws)
        together += moved
        if not moved.any():
            continue
        for figure, values in figures(frequency_hz, s + moved).items():
            if np.isfinite(values).all():
                found[figure].append(Contribution(name, float(values.std(ddof=1))))
            else:
                count = int((~np.isfinite(values)).sum())
                lost[figure] = f"within the uncertainty of S ({name}) it has no value: {count} of {draws} draws"
    smooth = _smoothed(frequency_hz, s, errors.noise)
    without = figures(frequency_hz, smooth[np.newaxis])
    for figure, values in figures(frequency_hz, smooth + together).items():
        if np.isfinite(values).all() and np.isfinite(without[figure]).all():
            found[figure].append(Contribution(EXTREME, abs(float(values.mean()) - float(without[figure][0]))))
    return {name: lost.get(name) or tuple(lines) for name, lines in found.items()}


def _smoothed(hz: Floats, s: Complexes, noise: Floats) -> Complexes:
    """
    S without what changes from point to point: delay taken off, a polynomial over the band, delay put on.

    What of the polynomial noise alone explains is no ripple of the device: left in, it would be taken for one, and the highest of
    the noisy points would seem to lie less beyond the true one than it does.
    """
    count = len(hz)
    degree = min(8, count // 4)
    if degree < 2:
        return s
    x = (2 * hz - hz[0] - hz[-1]) / (hz[-1] - hz[0])
    smooth = np.empty_like(s)
    for i in (0, 1):
        for j in (0, 1):
            turn = np.exp(1j * np.polyval(np.polyfit(x, np.unwrap(np.angle(s[:, i, j])), 1), x))
            basis = np.polynomial.chebyshev.chebvander(x, degree)
            fit = np.linalg.pinv(basis)
            terms = fit @ (s[:, i, j] / turn)
            u_terms = np.sqrt((np.abs(fit) ** 2) @ noise[:, i, j] ** 2)
            is_kept = np.abs(terms) > SIGNIFICANT * u_terms
            # The mean stays, whatever it is.
            is_kept[0] = True
            smooth[:, i, j] = basis[:, is_kept] @ (np.linalg.pinv(basis[:, is_kept]) @ (s[:, i, j] / turn)) * turn
    return smooth


def _drawn(
    name: str, hz: Floats, s: Complexes, errors: NetworkErrors, generator: np.random.Generator, draws: int
) -> Complexes:
    """What one kind of error moves S by, shape (draws, n, 2, 2)."""
    moved = np.zeros((draws, *s.shape), dtype=np.complex128)
    loop = s[:, 0, 1] * s[:, 1, 0]
    if name == NOISE:
        drawn = generator.standard_normal((2, draws, *s.shape))
        return np.asarray((drawn[0] + 1j * drawn[1]) * errors.noise / math.sqrt(2.0))
    if name in ("residual directivity", "residual match", "residual reflection tracking"):
        one, two = (errors.reflection / 2 * _unit(hz, generator, draws) for _ in range(2))
        for port, (own, far) in enumerate(((one, two), (two, one))):
            gamma = s[:, port, port]
            if name == "residual directivity":
                moved[..., port, port] = own
            elif name == "residual reflection tracking":
                moved[..., port, port] = own * gamma
            else:
                moved[..., port, port] = own * gamma**2 + far * loop
                moved[..., 1 - port, port] = s[:, 1 - port, port] * (one * s[:, 0, 0] + two * s[:, 1, 1])
        return moved
    if name == "residual transmission tracking":
        for i, j in ((1, 0), (0, 1)):
            moved[..., i, j] = errors.transmission / 2 * _unit(hz, generator, draws) * s[:, i, j]
        return moved

    def slow_unit() -> Complexes:
        return _unit(hz, generator, draws, slow_part=1.0)

    if name in (FIXTURE_MATCH, FIXTURE_LOSS):
        return fixture_moves(name, s, errors.fixtures, lambda: _unit(hz, generator, draws), slow_unit)
    if name in errors.kit.each:
        return kit_moves(name, s, errors.kit, slow_unit)
    relative = PER_DB * (errors.linearity_db + errors.drift_db) / math.sqrt(3.0)
    for i in (0, 1):
        for j in (0, 1):
            # Receivers and cables change slowly over frequency.
            moved[..., i, j] = relative * slow_unit() * s[:, i, j]
    return moved


def _unit(hz: Floats, generator: np.random.Generator, draws: int, slow_part: float = 0.5) -> Complexes:
    """Complex, shape (draws, n); real and imaginary part of variance one each: a part slow over the band, the rest by point."""
    span = float(hz[-1] - hz[0]) or 1.0
    slow = generator.standard_normal((2, draws, 1))
    turns = generator.uniform(-1.0, 1.0, (draws, 1))
    fast = generator.standard_normal((2, draws, len(hz)))
    turning = np.exp(2j * np.pi * turns * (hz - hz[0]) / span)
    slowly, by_point = (slow[0] + 1j * slow[1]) * turning, fast[0] + 1j * fast[1]
    return np.asarray(math.sqrt(slow_part) * slowly + math.sqrt(1.0 - slow_part) * by_point)
