"""
De-embedding: what lies between the calibrated planes and the device, removed. The mathematics is scikit-rf's.

All S are complex, shape (n, 2, 2), on the same frequencies. Numbering: 1-[left]-2, 1-[device]-2, 1-[right]-2, from left
to right; a right fixture measured from its outside, with port 1 outward, must be turned round first.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, Literal, get_args

import numpy as np
from numpy.typing import ArrayLike, NDArray

from benchkit.results.absent import Absent
from benchkit.results.calibration import check_frequencies
from benchkit.results.network import as_two_port

__all__ = [
    "LEAST_TRANSMISSION",
    "DummyMethod",
    "Halves",
    "cascade",
    "deembed",
    "remove_dummies",
    "split_two_x_thru",
    "turn_round",
]

Complexes = NDArray[np.complex128]
DummyMethod = Literal["open-short", "open", "short", "short-open"]

LEAST_TRANSMISSION = 1e-3
"""|S21| of a fixture (60 dB loss): what lies behind one that passes less is not seen well enough to be computed."""


@dataclass(frozen=True)
class Halves:
    """
    A 2x-thru in two.

    Attributes:
        left, right: The fixtures, complex, shape (n, 2, 2), numbered from left to right.
        residual_db: Largest |transmission| left of the 2x-thru itself when both halves are removed, either way. [dB]
        residual_deg: Largest phase of it; IEEE 370 asks for 0.1 dB and 1 degree. [degrees]
    """

    left: Complexes = field(repr=False)
    right: Complexes = field(repr=False)
    residual_db: float
    residual_deg: float

    @property
    def is_consistent(self) -> bool:
        """Whether the self-check is within 0.1 dB and 1 degree (IEEE 370-2020)."""
        return self.residual_db <= 0.1 and self.residual_deg <= 1.0


def cascade(*s: ArrayLike) -> Complexes:
    """
    Two-ports one behind the other, from left to right.

    Args:
        s: One or more, complex, each of shape (n, 2, 2).

    Raises:
        ValueError: None given, shapes, or lengths that differ.
    """
    networks = _networks(_same_length(*((f"two-port {k + 1}", one) for k, one in enumerate(s))))
    result = networks[0]
    for network in networks[1:]:
        result = result**network
    found: Complexes = result.s
    return found


def turn_round(s: ArrayLike) -> Complexes:
    """A two-port with its ports exchanged: complex, shape (n, 2, 2)."""
    return as_two_port(s)[:, ::-1, ::-1].copy()


def deembed(measured: ArrayLike, left: ArrayLike | None = None, right: ArrayLike | None = None) -> Complexes | Absent:
    """
    Remove fixtures or probes that are known as networks.

    Args:
        measured: Left fixture, device, right fixture in a row.
        left, right: The fixtures, numbered from left to right; None: there is none on this side.

    Returns:
        The device; Absent when a fixture passes less than 0.001 (60 dB loss) at some frequency.

    Raises:
        ValueError: No fixture given, shapes, lengths that differ, or a fixture without reading.
    """
    given = [(name, s) for name, s in (("left fixture", left), ("right fixture", right)) if s is not None]
    if not given:
        raise ValueError("neither a left nor a right fixture is given: there is nothing to remove")
    whole, *fixtures = _same_length(("measured", measured), *given)
    for (name, _), fixture in zip(given, fixtures, strict=True):
        if not np.isfinite(fixture).all():
            raise ValueError(f"{name} has no reading at point {int(np.argwhere(~np.isfinite(fixture))[0][0])}")
        passed = np.minimum(np.abs(fixture[:, 1, 0]), np.abs(fixture[:, 0, 1]))
        if passed.min() < LEAST_TRANSMISSION:
            return Absent(
                f"{name} passes only {passed.min():.2g} at point {int(passed.argmin())}, less than {LEAST_TRANSMISSION:g}: "
                "what lies behind it cannot be told"
            )
    result, *networks = _networks([whole, *fixtures])
    if left is not None:
        result = networks[0].inv ** result
    if right is not None:
        result = result ** networks[-1].inv
    found: Complexes = result.s
    return found


def remove_dummies(
    measured: ArrayLike, method: DummyMethod, *, opened: ArrayLike | None = None, shorted: ArrayLike | None = None
) -> Complexes:
    """
    Remove pads and lines of a wafer by dummies (M. C. A. M. Koolen et al., IEEE BCTM 1991, 188).

    Args:
        measured: Device within its pads and lines.
        method: "open-short": shunt pads outside, series lines inside; "short-open": the other way; one dummy: that part alone.
        opened, shorted: The dummies that the method needs, and no others.

    Raises:
        ValueError: An unknown method, a dummy missing or not needed, shapes, or lengths that differ.
    """
    from skrf.calibration import deembedding

    if method not in get_args(DummyMethod):
        raise ValueError(f"method is {method!r}; expected one of {', '.join(map(repr, get_args(DummyMethod)))}")
    for name, dummy in (("open", opened), ("short", shorted)):
        if (dummy is not None) != (name in method):
            raise ValueError(f"method {method!r} {'needs' if name in method else 'has no use for'} the {name} dummy")
    dummies = [(name, s) for name, s in (("open dummy", opened), ("short dummy", shorted)) if s is not None]
    whole, *rest = _networks(_same_length(("measured", measured), *dummies))
    kinds = {"open-short": "OpenShort", "short-open": "ShortOpen", "open": "Open", "short": "Short"}
    names = [f"dummy_{name.split()[0]}" for name, _ in dummies]
    remover = getattr(deembedding, kinds[method])(**dict(zip(names, rest, strict=True)))
    found: Complexes = remover.deembed(whole).s
    return found


def split_two_x_thru(frequency_hz: ArrayLike, two_x_thru: ArrayLike, reference_ohm: float = 50.0) -> Halves | Absent:
    """
    Both halves of two fixtures joined back to back (IEEE 370-2020, 2x-thru without impedance correction).

    The method works in time and so makes itself a value at 0 Hz; IEEE 370 wants a 2x-thru of three wavelengths or more at
    the highest frequency.

    Args:
        frequency_hz: step, 2 step, 3 step, ..., shape (n,), n >= 16. [Hz]
        two_x_thru: Complex, finite, shape (n, 2, 2).
        reference_ohm: Of S. [ohm]

    Returns:
        Absent when the frequencies are not all multiples of the first, from the first on: nothing is made up in between.

    Raises:
        ValueError: Shapes, too few points, or a missing reading.
    """
    import skrf
    from skrf.calibration.deembedding import IEEEP370_SE_NZC_2xThru

    frequency, (whole,) = check_frequencies(frequency_hz), _same_length(("2x-thru", two_x_thru))
    if whole.shape[0] != frequency.size or frequency.size < 16:
        raise ValueError(f"2x-thru has {whole.shape[0]} points, frequency {frequency.size}; 16 or more, and as many, are needed")
    if not np.isfinite(whole).all():
        raise ValueError(f"2x-thru has no reading at point {int(np.argwhere(~np.isfinite(whole))[0][0])}")
    grid = frequency[0] * np.arange(1, frequency.size + 1)
    off = np.abs(frequency - grid) / frequency[0]
    if off.max() > 1e-3:
        at = frequency[int(np.argmax(off > 1e-3))]
        return Absent(
            f"frequencies must be 1, 2, 3, ... times the first, {frequency[0]:.9g} Hz, for a 2x-thru to be split in time; "
            f"{at:.9g} Hz is not where it should be"
        )
    network = skrf.Network(frequency=skrf.Frequency.from_f(grid, unit="Hz"), s=whole, z0=reference_ohm)
    split = IEEEP370_SE_NZC_2xThru(dummy_2xthru=network, z0=reference_ohm)
    left, right = split.s_side1.s, split.s_side2.flipped().s
    rest = deembed(whole, left, right)
    if isinstance(rest, Absent):
        return rest
    through = rest[:, (1, 0), (0, 1)]
    return Halves(
        left, right, float(np.abs(20 * np.log10(np.abs(through))).max()), float(np.abs(np.angle(through, deg=True)).max())
    )


def _same_length(*named: tuple[str, ArrayLike]) -> list[Complexes]:
    if not named:
        raise ValueError("no two-port is given")
    arrays = [as_two_port(s, name) for name, s in named]
    for (name, _), array in zip(named, arrays, strict=True):
        if array.shape != arrays[0].shape:
            raise ValueError(f"{name} has {array.shape[0]} points, {named[0][0]} has {arrays[0].shape[0]}")
    return arrays


def _networks(arrays: list[Complexes]) -> list[Any]:
    import skrf

    # scikit-rf wants frequencies to compare; these cascade point by point, whatever the frequencies are.
    grid = skrf.Frequency.from_f(np.arange(1.0, arrays[0].shape[0] + 1), unit="Hz")
    return [skrf.Network(frequency=grid, s=array) for array in arrays]
