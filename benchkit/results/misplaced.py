"""
Standards connected in the wrong order, recognised by what the analyser reads of them, before a calibration is made of it.

Nothing is calibrated yet, so only what holds behind any analyser and any path counts:

- what lets through: a thru or line passes about what the way to and fro loses, a reflecting standard some 20 dB less;
- which reflection is the load: three known reflections read through one port give its directivity, match and tracking exactly,
  whatever they were; taken in the wrong order, they give a source match of 1 or more (of 3 for a load exchanged with an ideal
  open or short), which no passive port has;
- the product of both trackings, which by the reflections and by the thru is the same (Rytting's eight terms, from memory);
- the sign of the line's phase against the thru.

Not recognisable, by anything: short and open exchanged at both ports, when both are ideal. The sign of every reflection is then
reversed, and no magnitude, no transmission and no stability figure changes.
"""

from __future__ import annotations

from collections.abc import Mapping
from itertools import permutations

import numpy as np
from numpy.typing import NDArray

__all__ = ["misplaced_in_solt", "misplaced_in_trl", "weak_reflect"]

Complexes = NDArray[np.complex128]

_PASSES = 0.1  # of what the reflections say the way passes: 20 dB
_ALIKE = 0.05
_LARGEST_MATCH = 0.8
_WEAKEST_REFLECT = 0.5


def misplaced_in_solt(raw: Mapping[str, Complexes], ideal: Mapping[str, Complexes]) -> str:
    """
    What is wrong with short, open, load and thru as measured; "" when nothing is seen to be.

    Args:
        raw: By name, as the receivers see it, complex, finite, shape (n, 2, 2).
        ideal: By name, what each is known to be.
    """
    reflects = ("short", "open", "load")
    told = _through(raw, ("thru",), reflects)
    if told:
        return told
    passed = raw["thru"][:, 1, 0] * raw["thru"][:, 0, 1] / (ideal["thru"][:, 1, 0] * ideal["thru"][:, 0, 1])
    scale = float(np.median(np.sqrt(np.abs(passed))))
    for port in (0, 1):
        seen = {name: raw[name][:, port, port] for name in reflects}
        known = {name: ideal[name][:, port, port] for name in reflects}
        told = _same(seen, port, scale) or _exchanged(seen, known, port)
        if told:
            return told
    trackings = [
        _one_port([raw[name][:, port, port] for name in reflects], [ideal[name][:, port, port] for name in reflects])[1]
        for port in (0, 1)
    ]
    through = raw["thru"] - raw["load"]  # what leaks across is in both
    across = through[:, 1, 0] * through[:, 0, 1] / (ideal["thru"][:, 1, 0] * ideal["thru"][:, 0, 1])
    if np.median(np.real(across / (trackings[0] * trackings[1]))) < 0:
        return "short and open are exchanged at one of the two ports: by them the way has another sign than by the thru"
    return ""


def misplaced_in_trl(raw: Mapping[str, Complexes], frequency_hz: NDArray[np.float64], line_delay_s: float) -> str:
    """
    What is wrong with thru, reflect and line as measured; "" when nothing is seen to be.

    Args:
        raw: By name, as the receivers see it, complex, finite, shape (n, 2, 2).
        frequency_hz: Shape (n,). [Hz]
        line_delay_s: By how much the line is longer than the thru, about. [s]
    """
    told = _through(raw, ("thru", "line"), ("reflect",))
    if told:
        return told
    # What lies before and behind is in both, and drops out but for the loops between mismatches.
    ratio = (raw["line"][:, 1, 0] / raw["thru"][:, 1, 0] + raw["line"][:, 0, 1] / raw["thru"][:, 0, 1]) / 2
    expected = np.exp(-2j * np.pi * frequency_hz * line_delay_s)
    near, swapped = (float(np.median(np.abs(ratio - turned))) for turned in (expected, expected.conj()))
    same = np.abs(raw["line"] - raw["thru"]).max(axis=(1, 2)) / np.abs(raw["thru"]).max(axis=(1, 2))
    if np.median(same) < _ALIKE:
        return "thru and line read alike: one of them was connected twice"
    if swapped < min(0.5, near / 3):
        return "thru and line are exchanged: what was connected as the line is shorter than what was connected as the thru"
    return ""


def weak_reflect(corrected: Complexes) -> str:
    """
    What is wrong with the reflect of a TRL calibration by that calibration; "" when it reflects.

    Args:
        corrected: The reflect, corrected, complex, shape (n, 2, 2).
    """
    sizes = [float(np.median(np.abs(corrected[:, port, port]))) for port in (0, 1)]
    if min(sizes) < _WEAKEST_REFLECT:
        return (
            f"what was connected as the reflect reflects only {min(sizes):.2g} at port {1 + sizes.index(min(sizes))}: it looks "
            "like a load; a reflect is near a short or an open"
        )
    return ""


def _through(raw: Mapping[str, Complexes], passing: tuple[str, ...], reflecting: tuple[str, ...]) -> str:
    """Who lets through and should not, and the other way round."""
    passes = {name: float(np.median(np.sqrt(np.abs(s[:, 1, 0] * s[:, 0, 1])))) for name, s in raw.items()}
    # Half the largest distance between two reflections is about what comes back through the port: its tracking.
    spans = []
    for port in (0, 1):
        seen = np.array([s[:, port, port] for s in raw.values()])
        spans.append(np.median(np.abs(seen[:, np.newaxis] - seen).max(axis=(0, 1)) / 2))
    expected = float(np.sqrt(spans[0] * spans[1]))
    if all(value >= _PASSES * expected for value in passes.values()) and reflecting:
        likeness = min(passes.values()) / max(passes.values())
        if likeness > 0.5:
            return "every standard lets a wave through alike: something that passes, such as the thru, was connected all the time"
    for name in reflecting:
        if passes[name] >= _PASSES * expected:
            below = _db(passes[name] / max(passes[one] for one in passing))
            return (
                f"what was connected as the {name} lets a wave through ({below:+.1f} dB against the {passing[0]}): it looks "
                "like a thru or a line"
            )
    for name in passing:
        if passes[name] < _PASSES * expected:
            return (
                f"what was connected as the {name} lets through {-_db(passes[name] / expected):.0f} dB less than the way there "
                "and back would: it looks like a short, an open or a load"
            )
    return ""


def _same(seen: Mapping[str, Complexes], port: int, scale: float) -> str:
    """Two that read alike: against the largest distance, and where all are alike against what the way passes."""
    names = list(seen)
    span = max(scale, *(float(np.median(np.abs(seen[a] - seen[b]))) for a in names for b in names))
    for index, a in enumerate(names):
        for b in names[index + 1 :]:
            if np.median(np.abs(seen[a] - seen[b])) < _ALIKE * span:
                return f"{a} and {b} read alike at port {port + 1}: one of them was connected twice"
    return ""


def _exchanged(seen: Mapping[str, Complexes], known: Mapping[str, Complexes], port: int) -> str:
    names = list(seen)
    matches = {
        order: float(np.median(np.abs(_one_port([seen[name] for name in order], [known[name] for name in names])[0])))
        for order in permutations(names)
    }
    given = tuple(names)
    if matches[given] < _LARGEST_MATCH:
        return ""
    # The order that a passive port explains best; short and open are not told apart by it, so the one nearest to what was said.
    best = min(matches, key=lambda order: (matches[order] >= _LARGEST_MATCH, sum(map(str.__ne__, order, given))))
    if matches[best] >= _LARGEST_MATCH:
        return (
            f"{', '.join(names)} give port {port + 1} a source match of {matches[given]:.2g}, and none is above 1; no other "
            "order explains them either: something else was connected"
        )
    wrong = [f"the {said} looks like the {is_}" for said, is_ in zip(best, given, strict=True) if said != is_]
    return (
        f"connected in the wrong order at port {port + 1}: {', '.join(wrong)} (as said, they give the port a source match of "
        f"{matches[given]:.2g}, which nothing passive has)"
    )


def _one_port(seen: list[Complexes], known: list[Complexes]) -> tuple[Complexes, Complexes]:
    """Source match and tracking of m = d + t g / (1 - s g), from three reflections m of known g; exact."""
    # m (1 - s g) = d (1 - s g) + t g, so m = d + g m s + g e with e = t - d s.
    rows = np.array([[np.ones_like(g), g * m, g] for m, g in zip(seen, known, strict=True)])
    # By the pseudo-inverse: two readings that are alike to the last bit at one frequency are no reason to stop.
    solved = (np.linalg.pinv(np.moveaxis(rows, (0, 1), (1, 2))) @ np.array(seen).T[..., np.newaxis])[..., 0]
    directivity, match, rest = solved.T
    return match, rest + directivity * match


def _db(ratio: float) -> float:
    return 20.0 * float(np.log10(max(ratio, 1e-15)))
