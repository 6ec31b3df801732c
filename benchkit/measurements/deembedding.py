"""
What lies between the calibrated planes and the device, named in a sequence as Touchstone files, and taken out of it.

Three ways: fixtures or probes known as two-ports; open and short dummies measured at the calibrated planes; a 2x-thru, both
fixtures joined back to back. The files are kept in the record, so that the numbers can be made again from the raw traces.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping
from typing import TYPE_CHECKING, Literal

from pydantic import Field

from benchkit.bench.two_port_touchstone import read_two_port
from benchkit.errors import FileError
from benchkit.files.types import Decibels, FileModel, FileName
from benchkit.results.absent import Absent
from benchkit.results.deembedding import DummyMethod, deembed, remove_dummies, split_two_x_thru, turn_round
from benchkit.results.on_grid import on_grid

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Complexes = NDArray[np.complex128]

__all__ = ["Deembedding", "DeembeddingError", "raised_by"]

SMALL = 1e-6


class DeembeddingError(ValueError):
    """A file does not fit: `key` within `deembed` names it."""

    def __init__(self, key: str, message: str) -> None:
        self.key = key
        super().__init__(message)


class Deembedding(FileModel):
    """Fixtures (input, output or both), or dummies (open, short or both), or a 2x-thru; in 50 ohm, over the whole sweep."""

    input: FileName | None = Field(default=None, description="Touchstone: port 1 to the analyser, port 2 to the device")
    output: FileName | None = Field(default=None, description="Touchstone: port 1 to the device, port 2 to the analyser")
    output_port_1: Literal["device", "analyser"] = Field(
        default="device", description="Of the output file; analyser: it was measured from outside, and is turned round"
    )
    open: FileName | None = Field(default=None, description="Touchstone: the dummy without the device, left open")
    short: FileName | None = Field(default=None, description="Touchstone: the dummy with the device's place shorted")
    dummies: Literal["open-short", "short-open"] = Field(
        default="open-short", description="Which lies outside: shunt pads (open) around series lines (short), or the other way"
    )
    two_x_thru: FileName | None = Field(default=None, description="Touchstone: both fixtures joined back to back (IEEE 370)")
    reflection_uncertainty: float | None = Field(
        default=None, ge=0, lt=1,
        description="Expanded, k = 2, of a reflection of what is taken out, real or imaginary part; left out: not in U",
    )  # fmt: skip
    loss_uncertainty_db: Decibels | None = Field(
        alias="loss_uncertainty", default=None, ge=0, description="Expanded, k = 2, of its loss, once through; left out: not in U"
    )

    def files(self) -> dict[str, str]:
        """By key."""
        named = {key: getattr(self, key) for key in ("input", "output", "open", "short", "two_x_thru")}
        return {key: name for key, name in named.items() if name is not None}

    def mistakes(self, files: Mapping[str, bytes] | None, grid_hz: NDArray[np.float64]) -> Iterator[tuple[str, str]]:
        """
        Key and what is wrong.

        Args:
            files: Contents by name; None: not at hand, and not looked at.
            grid_hz: Frequencies of the sweep, ascending. [Hz]
        """
        given = self.files()
        ways = {"input": "fixtures", "output": "fixtures", "open": "dummies", "short": "dummies", "two_x_thru": "two_x_thru"}
        if len({ways[key] for key in given}) != 1:
            said = "names no file" if not given else f"mixes {', '.join(given)}"
            yield "", f"{said}; expected input and output (or one of them), or open and short (or one of them), or two_x_thru"
            return
        if "output_port_1" in self.model_fields_set and "output" not in given:
            yield "output_port_1", "is about the file of output, and none is named"
        if "dummies" in self.model_fields_set and not {"open", "short"} <= set(given):
            yield "dummies", "is about two dummies, open and short, and there is one at most"
        if files is None or not all(name in files for name in given.values()):
            return
        try:
            self.remover(files.__getitem__, grid_hz)
        except DeembeddingError as error:
            yield error.key, str(error)

    def remover(self, file: Callable[[str], bytes], grid_hz: NDArray[np.float64]) -> Callable[[Complexes], Complexes]:
        """
        What takes it out of corrected S, shape (n, 2, 2), on `grid_hz`; everything that can be wrong has been looked at then.

        Raises:
            DeembeddingError: A file is no two-port in 50 ohm, doesn't cover the sweep, is too coarse, lets nothing through, or is
                no 2x-thru that can be split.
        """
        import numpy as np

        given = self.files()
        if "two_x_thru" in given:
            left, right = self._halves(file, grid_hz)
            return _without(left, right, "two_x_thru")
        known = {key: self._on_grid(file, key, grid_hz) for key in given}
        if "input" in given or "output" in given:
            output = known.get("output")
            if output is not None and self.output_port_1 == "analyser":
                output = turn_round(output)
            for key in known:
                # Against something that is there: what passes too little is found now, and not with the part under power.
                sides = (known[key], None) if key == "input" else (None, output)
                _without(sides[0], sides[1], key)(np.zeros_like(known[key]))
            return _without(known.get("input"), output, "input" if "input" in given else "output")
        both: DummyMethod = self.dummies if len(known) == 2 else "open" if "open" in known else "short"
        return lambda s: remove_dummies(s, both, opened=known.get("open"), shorted=known.get("short"))

    def stated(self) -> dict[str, float]:
        """Columns of what it may be wrong by; NaN: not stated; 0 at a port where nothing is taken out. Expanded. [1, dB]"""
        given = self.files()
        one_sided = {"input": 2, "output": 1}.get(next(iter(given)), 0) if len(given) == 1 else 0
        values = {"fixture_reflection_{}": self.reflection_uncertainty, "fixture_loss_{}_db": self.loss_uncertainty_db}
        return {
            name.format(port): 0.0 if port == one_sided else math.nan if value is None else value
            for name, value in values.items()
            for port in (1, 2)
        }

    @property
    def in_uncertainty(self) -> str:
        """Which errors of its files are in the uncertainty, and which are not."""
        stated = {"reflections": self.reflection_uncertainty, "loss": self.loss_uncertainty_db}
        keys = {"reflections": "reflection_uncertainty", "loss": "loss_uncertainty"}
        counted = [name for name, value in stated.items() if value is not None]
        missing = [f"{name} ({keys[name]})" for name, value in stated.items() if value is None]
        told = [f"their {' and '.join(counted)} as the sequence states"] if counted else []
        told += [f"not stated, and in no uncertainty: errors of their {' and '.join(missing)}"] if missing else []
        return f"Errors of these files: {'; '.join(told)}"

    @property
    def said(self) -> str:
        """In a few words, as the record and a file's comments have it."""
        given = self.files()
        if "two_x_thru" in given:
            return "2x-thru"
        if {"open", "short"} <= set(given):
            return f"{self.dummies} dummies"
        if "open" in given or "short" in given:
            return f"{next(iter(given))} dummy"
        return " and ".join(given) + (" fixtures" if len(given) == 2 else " fixture")

    def _read(self, file: Callable[[str], bytes], key: str) -> tuple[NDArray[np.float64], Complexes]:
        name = self.files()[key]
        try:
            return read_two_port(file(name), name)
        except FileError as error:
            told = "; ".join(f"{one.message}" + (f" (line {one.line})" if one.line else "") for one in error.mistakes)
            raise DeembeddingError(key, f"{name}: {told}") from error

    def _on_grid(self, file: Callable[[str], bytes], key: str, grid_hz: NDArray[np.float64]) -> Complexes:
        frequency_hz, s = self._read(file, key)
        return _fitted(frequency_hz, s, grid_hz, key, self.files()[key])

    def _halves(self, file: Callable[[str], bytes], grid_hz: NDArray[np.float64]) -> tuple[Complexes, Complexes]:
        frequency_hz, s = self._read(file, "two_x_thru")
        name = self.files()["two_x_thru"]
        try:
            halves = split_two_x_thru(frequency_hz, s)
        except ValueError as error:
            raise DeembeddingError("two_x_thru", f"{name}: {error}") from error
        if isinstance(halves, Absent):
            raise DeembeddingError("two_x_thru", f"{name}: {halves.reason}")
        if not halves.is_consistent:
            raise DeembeddingError(
                "two_x_thru",
                f"{name}: with both halves removed from it {halves.residual_db:.3g} dB and {halves.residual_deg:.3g} degrees are "
                "left, more than 0.1 dB and 1 degree (IEEE 370): it is no 2x-thru of two such fixtures, or its band is too short",
            )
        left, right = (_fitted(frequency_hz, half, grid_hz, "two_x_thru", name) for half in (halves.left, halves.right))
        return left, right


def _fitted(frequency_hz: NDArray[np.float64], s: Complexes, grid_hz: NDArray[np.float64], key: str, name: str) -> Complexes:
    try:
        return on_grid(frequency_hz, s, grid_hz)
    except ValueError as error:
        raise DeembeddingError(key, f"{name}: {error}") from error


def _without(left: Complexes | None, right: Complexes | None, key: str) -> Callable[[Complexes], Complexes]:
    def remove(s: Complexes) -> Complexes:
        found = deembed(s, left, right)
        if isinstance(found, Absent):
            raise DeembeddingError(key, found.reason)
        return found

    return remove


def raised_by(remover: Callable[[Complexes], Complexes], s: Complexes) -> NDArray[np.float64]:
    """
    By how much what is taken out makes a small error of S at the calibrated planes larger: behind a lossy fixture directivity and
    noise count for more, a reflection's by its loss twice.

    Args:
        remover: As Deembedding.remover gives it.
        s: Corrected, at the calibrated planes, shape (n, 2, 2).

    Returns:
        |dSij behind / dSij there| of each element, shape (n, 2, 2). [1]
    """
    import numpy as np

    before, found = remover(s), np.ones(s.shape)
    for i in (0, 1):
        for j in (0, 1):
            moved = s.copy()
            moved[:, i, j] += SMALL
            found[:, i, j] = np.abs(remover(moved)[:, i, j] - before[:, i, j]) / SMALL
    return found
