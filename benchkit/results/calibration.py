"""
A vector calibration: its error terms over frequency, and raw S-parameters corrected by them.

Every kind ends in the same 12 terms (S. Rehnmark, IEEE Trans. Microw. Theory Tech. 22 (1974) 457), so what
was stored is applied without knowing how it was found. The mathematics is scikit-rf's. Outside the calibrated band nothing
is corrected: there is no extrapolation, and interpolation only where it is asked for.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Literal, get_args

import numpy as np
from numpy.typing import ArrayLike, NDArray

from benchkit.results.network import as_two_port

__all__ = ["ERROR_TERMS", "Calibration", "CalibrationKind", "apply", "check_age", "check_band"]

CalibrationKind = Literal["SOLT", "TRL"]
Complexes = NDArray[np.complex128]

ERROR_TERMS = tuple(
    f"{direction} {term}"
    for direction in ("forward", "reverse")
    for term in ("directivity", "source match", "reflection tracking", "transmission tracking", "load match", "isolation")
)
"""Names of the 12 terms: directivity, source match, reflection and transmission tracking, load match, isolation, both ways."""

_SAME_FREQUENCY = 1e-9
_LARGEST_TURN_DEG = 20.0
_MAY_BE_MISSING = ("residual_reflection", "residual_transmission", "isolation_noise", "kit_reflection", "kit_transmission_db")


@dataclass(frozen=True)
class Calibration:
    """
    Attributes:
        kind: How the terms were found.
        frequency_hz: Strictly ascending, shape (n,). [Hz]
        terms: The names of ERROR_TERMS, each complex, shape (n,).
        standards: What was measured, in order, e.g. "short", "open", "load", "thru".
        reference: What corrected S refers to, e.g. "50 ohm, as the standards were defined" or "impedance of the line".
        made_s: When it was made, in seconds since 1970-01-01 UTC; NaN when not known. [s]
        residual_reflection, residual_transmission: Largest |corrected - known| that standards connected again afterwards showed;
            NaN when none was. [1]
        isolation_noise: Standard deviation of the raw reading that the isolation terms came from; NaN when not known. [1]
        kit_reflection: Expanded uncertainty (k = 2) of what the kit's standards reflect, real or imaginary part: short, open and
            load, or the line in 50 ohm; NaN when not stated. [1]
        kit_transmission_db: Likewise of what its thru lets through. [dB]
    """

    kind: CalibrationKind
    frequency_hz: NDArray[np.float64]
    terms: Mapping[str, Complexes] = field(repr=False)
    standards: tuple[str, ...]
    reference: str
    made_s: float = math.nan
    residual_reflection: float = math.nan
    residual_transmission: float = math.nan
    isolation_noise: float = math.nan
    kit_reflection: float = math.nan
    kit_transmission_db: float = math.nan

    def __post_init__(self) -> None:
        if self.kind not in get_args(CalibrationKind):
            raise ValueError(f"kind of calibration is {self.kind!r}; expected one of {', '.join(get_args(CalibrationKind))}")
        frequency = check_frequencies(self.frequency_hz)
        if set(self.terms) != set(ERROR_TERMS):
            wrong = sorted(set(self.terms) ^ set(ERROR_TERMS))
            raise ValueError(f"a calibration has the 12 terms of ERROR_TERMS; missing or unknown: {', '.join(wrong)}")
        terms = {name: np.asarray(self.terms[name], dtype=np.complex128) for name in ERROR_TERMS}
        for name, values in terms.items():
            if values.shape != frequency.shape or not np.isfinite(values).all():
                raise ValueError(f"{name} has shape {values.shape} or a value that is not finite; expected {frequency.shape}")
            if name.endswith("tracking") and (values == 0).any():
                raise ValueError(f"{name} is zero at {frequency[int(np.argmax(values == 0))]:.6g} Hz: nothing comes through")
        object.__setattr__(self, "frequency_hz", frequency)
        object.__setattr__(self, "terms", terms)
        object.__setattr__(self, "standards", tuple(self.standards))

    def to_arrays(self) -> dict[str, NDArray[Any]]:
        """For storing: "frequency_hz", "made_s", "kind", "reference", "standards" and the 12 terms, one array each."""
        texts = {"kind": self.kind, "reference": self.reference, "standards": self.standards}
        return {
            "frequency_hz": self.frequency_hz,
            "made_s": np.asarray(self.made_s),
            **{name: np.asarray(getattr(self, name)) for name in _MAY_BE_MISSING},
            **{name: np.asarray(text, dtype=np.str_) for name, text in texts.items()},
            **self.terms,
        }

    @classmethod
    def from_arrays(cls, arrays: Mapping[str, ArrayLike]) -> Calibration:
        """
        What `to_arrays` gave.

        Raises:
            ValueError: An array is missing, or does not fit.
        """
        missing = sorted({"frequency_hz", "made_s", "kind", "reference", "standards", *ERROR_TERMS} - set(arrays))
        if missing:
            raise ValueError(f"stored calibration lacks {', '.join(missing)}")
        return cls(
            kind=str(np.asarray(arrays["kind"])),  # type: ignore[arg-type]  # checked by __post_init__
            frequency_hz=np.asarray(arrays["frequency_hz"], dtype=np.float64),
            terms={name: np.asarray(arrays[name], dtype=np.complex128) for name in ERROR_TERMS},
            standards=tuple(str(name) for name in np.atleast_1d(np.asarray(arrays["standards"]))),
            reference=str(np.asarray(arrays["reference"])),
            made_s=float(np.asarray(arrays["made_s"])),
            **{
                name: float(np.asarray(arrays.get(name, math.nan)))
                for name in _MAY_BE_MISSING
            },
        )


def apply(
    calibration: Calibration, frequency_hz: ArrayLike, raw_s: ArrayLike, *, interpolate: bool = False
) -> NDArray[np.complex128]:
    """
    Correct raw S-parameters.

    Args:
        calibration: As made for the same instrument, cables and settings.
        frequency_hz: Of `raw_s`, strictly ascending, shape (m,). [Hz]
        raw_s: Complex, shape (m, 2, 2), both directions measured.
        interpolate: Allow frequencies between those calibrated: real and imaginary part of each term linearly. An error
            term that turns by an angle a between two points is then short by up to 1 - cos(a / 2).

    Returns:
        Corrected S, shape (m, 2, 2); NaN where raw S is NaN.

    Raises:
        ValueError: A frequency outside the calibrated band; one between its points without `interpolate`; tracking that
            turns by more than 20 degrees between the points beside it (error 1.5 %), too coarse to interpolate; shapes.
    """
    import skrf
    from skrf.calibration.calibration import SOLT

    frequency = check_frequencies(frequency_hz)
    raw = as_two_port(raw_s, "raw S")
    if raw.shape[0] != frequency.size:
        raise ValueError(f"raw S has {raw.shape[0]} points, frequency has {frequency.size}")
    check_band(calibration, frequency)
    terms = _terms_at(calibration, frequency, interpolate)
    grid = skrf.Frequency.from_f(frequency, unit="Hz")
    correction = SOLT.from_coefs(grid, terms)
    with np.errstate(invalid="ignore"):  # NaN in, NaN out
        corrected: NDArray[np.complex128] = correction.apply_cal(skrf.Network(frequency=grid, s=raw)).s
    return corrected


def check_band(calibration: Calibration, frequency_hz: ArrayLike) -> None:
    """
    Raises:
        ValueError: A frequency lies outside the calibrated band; says which, and the band. [Hz]
    """
    asked = np.atleast_1d(np.asarray(frequency_hz, dtype=np.float64))
    low, high = float(calibration.frequency_hz[0]), float(calibration.frequency_hz[-1])
    outside = ~((asked >= low * (1 - _SAME_FREQUENCY)) & (asked <= high * (1 + _SAME_FREQUENCY)))
    if outside.any():
        raise ValueError(
            f"{asked[int(np.argmax(outside))] / 1e9:.9g} GHz is outside the calibrated band, {low / 1e9:.9g} to "
            f"{high / 1e9:.9g} GHz: calibrate the whole band, nothing is extrapolated"
        )


def check_age(calibration: Calibration, now_s: float, maximum_age_s: float) -> float:
    """
    Age of a calibration. [s]

    Args:
        calibration: With `made_s` known.
        now_s: Now, in seconds since 1970-01-01 UTC. [s]
        maximum_age_s: Oldest that is good. [s]

    Raises:
        ValueError: Too old, made in the future (a clock is wrong), or its time not known.
    """
    age = now_s - calibration.made_s
    if not math.isfinite(age):
        raise ValueError("it is not known when the calibration was made: calibrate again, or state its time")
    if age < 0:
        raise ValueError(f"the calibration was made {-age:.0f} s from now: one of the clocks is wrong")
    if not age <= maximum_age_s:
        raise ValueError(f"the calibration is {age:.0f} s old, more than the {maximum_age_s:.0f} s allowed: calibrate again")
    return age


def check_frequencies(frequency_hz: ArrayLike) -> NDArray[np.float64]:
    """Frequencies as an array: one-dimensional, above zero, strictly ascending; ValueError otherwise. [Hz]"""
    frequency = np.asarray(frequency_hz, dtype=np.float64)
    if frequency.ndim != 1 or frequency.size == 0:
        raise ValueError(f"frequencies have shape {frequency.shape}; expected (n,), n >= 1")
    if not (np.isfinite(frequency).all() and frequency[0] > 0 and (np.diff(frequency) > 0).all()):
        raise ValueError("frequencies must be finite, above zero and strictly ascending")
    return frequency


def _terms_at(calibration: Calibration, frequency: NDArray[np.float64], interpolate: bool) -> dict[str, Complexes]:
    known = calibration.frequency_hz
    nearest = np.clip(np.searchsorted(known, frequency), 0, known.size - 1)
    nearest = np.where(
        (nearest > 0) & (np.abs(known[nearest - 1] - frequency) < np.abs(known[nearest] - frequency)), nearest - 1, nearest
    )
    between = np.abs(known[nearest] - frequency) > _SAME_FREQUENCY * frequency
    if not between.any():
        return {name: values[nearest] for name, values in calibration.terms.items()}
    if not interpolate:
        raise ValueError(
            f"{frequency[int(np.argmax(between))] / 1e9:.9g} GHz is not one of the {known.size} calibrated frequencies: "
            "measure on them, or ask for interpolation"
        )
    upper = np.clip(np.searchsorted(known, frequency[between]), 1, known.size - 1)
    for name in (n for n in ERROR_TERMS if n.endswith("tracking")):
        turn = np.degrees(np.abs(np.angle(calibration.terms[name][upper] / calibration.terms[name][upper - 1])))
        if turn.max() > _LARGEST_TURN_DEG:
            at = known[upper[int(turn.argmax())] - 1]
            raise ValueError(
                f"{name} turns by {turn.max():.0f} degrees after {at / 1e9:.9g} GHz, more than {_LARGEST_TURN_DEG:.0f}: "
                "the calibrated points are too far apart to interpolate"
            )
    found = {}
    for name, values in calibration.terms.items():
        found[name] = np.interp(frequency, known, values.real) + 1j * np.interp(frequency, known, values.imag)
        found[name][~between] = values[nearest[~between]]
    return found
