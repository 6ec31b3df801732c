"""S-parameters as rows of the record and back: one row per frequency, real and imaginary part in columns of their own."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from benchkit.measurements.base import BlockStream, Column, NetworkAccuracy
from benchkit.results.calibration import ERROR_TERMS, Calibration
from benchkit.results.standards import Residual

if TYPE_CHECKING:
    import pandas as pd

__all__ = [
    "CALIBRATION",
    "NETWORK",
    "RESIDUALS",
    "STANDARDS",
    "UNPOWERED",
    "calibration_from",
    "s_from",
    "store_calibration",
    "store_network",
    "store_residual",
    "store_standard",
]

Complexes = NDArray[np.complex128]
Store = Callable[[str, Mapping[str, float | int | str]], None]

ELEMENTS = ((0, 0), (1, 0), (0, 1), (1, 1))
UNPOWERED = "unpowered"
TIME_UNITS = "seconds since 1970-01-01T00:00:00Z"


def _s_columns(prefix: str, what: str, plane: str) -> tuple[Column, ...]:
    return tuple(
        Column(f"{prefix}s{i + 1}{j + 1}_{part}", "1", f"S{i + 1}{j + 1} {what}, {name} part", plane=plane)
        for i, j in ELEMENTS
        for part, name in (("re", "real"), ("im", "imaginary"))
    )


REMOVAL = "de-embedding"
_RAW = _s_columns("raw_", "as the analyser's receivers see it", "network analyser's ports")

NETWORK = BlockStream(
    "network",
    (
        Column("time_s", TIME_UNITS, "end of the sweep"),
        Column("frequency_hz", "Hz", "frequency"),
        Column("level_dbm", "dBm", "highest level of the sweep", plane="device input"),
        *_RAW,
        *_s_columns("", "corrected; NaN: not corrected", "device input and output"),
        Column("calibration_made_s", TIME_UNITS, "when the calibration used was made; NaN: uncorrected"),
        *(
            Column(
                f"noise_s{i + 1}{j + 1}", "1",
                f"standard deviation of corrected S{i + 1}{j + 1} by the analyser's noise, before {REMOVAL}",
            )
            for i, j in ELEMENTS
        ),
        Column("residual_reflection", "1", "largest |corrected - known| of a reflection after the calibration used"),
        Column("residual_transmission", "1", "largest |corrected - known| of a transmission after the calibration used"),
        Column("linearity_db", "dB", "limit of error of a ratio: linearity; NaN: not stated"),
        Column("drift_db", "dB", "limit of error of a ratio: drift and cables; NaN: not stated"),
        Column("deembedding", "", "what was taken out of the corrected traces; empty: nothing", "S32"),
        *(
            Column(name.format(port), unit, f"expanded uncertainty: {said} what was taken out at port {port}; NaN: not stated")
            for name, unit, said in (
                ("fixture_reflection_{}", "1", "reflections of"), ("fixture_loss_{}_db", "dB", "loss, once through, of")
            )
            for port in (1, 2)
        ),
        *(
            Column(f"raised_s{i + 1}{j + 1}", "1", f"how much larger {REMOVAL} makes an error of S{i + 1}{j + 1} at the planes")
            for i, j in ELEMENTS
        ),
        Column("kit_reflection", "1", "expanded uncertainty: reflections of the calibration kit's standards; NaN: not stated"),
        Column("kit_transmission_db", "dB", "expanded uncertainty: transmission of the calibration kit's thru; NaN: not stated"),
        Column("kit_is_line", "1", "1: it is that of the line (TRL); 0: of short, open and load (SOLT)"),
        *(
            Column(f"load_match_{way}", "1", f"magnitude of the analyser's load match before correction, {way}")
            for way in ("forward", "reverse")
        ),
        Column("bias_state", "", "unpowered: every supply output read off; empty: biased", "S12"),
    ),
)
STANDARDS = BlockStream(
    "standards",
    (
        Column("time_s", TIME_UNITS, "end of the sweep"),
        Column("standard", "", "what was connected", "S16"),
        Column("is_check", "1", "1: connected again to check the calibration; 0: makes it", "i8"),
        Column("frequency_hz", "Hz", "frequency"),
        *_RAW,
    ),
)
CALIBRATION = BlockStream(
    "calibration",
    (
        Column("made_s", TIME_UNITS, "when the last standard was measured"),
        Column("method", "", "SOLT or TRL", "S8"),
        Column("frequency_hz", "Hz", "frequency"),
        *(
            Column(f"{term.replace(' ', '_')}_{part}", "1", f"error term: {term}, {name} part")
            for term in ERROR_TERMS
            for part, name in (("re", "real"), ("im", "imaginary"))
        ),
    ),
)
RESIDUALS = BlockStream(
    "residuals",
    (
        Column("made_s", TIME_UNITS, "when the calibration was made"),
        Column("standard", "", "connected again after the calibration", "S16"),
        Column("reflection", "1", "largest |corrected - known| of S11 and S22"),
        Column("transmission", "1", "largest |corrected - known| of S21 and S12"),
        Column("largest", "1", "the larger of the two"),
        Column("frequency_hz", "Hz", "where the largest is"),
    ),
)


def store_network(
    store: Store, time_s: float, frequency_hz: NDArray[np.float64], level_dbm: float, raw: Complexes,
    corrected: Complexes | None, calibration: Calibration | None, accuracy: NetworkAccuracy,
    deembedding: str = "", fixtures: Mapping[str, float] | None = None, raised: NDArray[np.float64] | None = None,
    is_unpowered: bool = False,
) -> None:  # fmt: skip
    """
    One sweep. [s, Hz, dBm]

    Args:
        fixtures: What is stated of what was taken out, by column.
        raised: How much larger taking it out makes an error at the calibrated planes, shape (n, 2, 2); None: nothing was. [1]
        is_unpowered: The device was, meanwhile.
    """
    made_s = math.nan if calibration is None else calibration.made_s
    noise = None if calibration is None else _noise(calibration, frequency_hz, raw, accuracy)
    constant = {} if calibration is None else {
        "residual_reflection": calibration.residual_reflection,
        "residual_transmission": calibration.residual_transmission,
        "linearity_db": accuracy.linearity_db,
        "drift_db": accuracy.drift_db,
        "kit_reflection": calibration.kit_reflection,
        "kit_transmission_db": calibration.kit_transmission_db,
        "kit_is_line": float(calibration.kind == "TRL"),
    }  # fmt: skip
    match = {} if calibration is None else {
        f"load_match_{way}": np.abs(calibration.terms[f"{way} load match"][_nearest(calibration, frequency_hz)])
        for way in ("forward", "reverse")
    }  # fmt: skip
    for k, hz in enumerate(frequency_hz.tolist()):
        row: dict[str, float | int | str] = {
            "time_s": time_s, "frequency_hz": hz, "level_dbm": level_dbm, "calibration_made_s": made_s,
            "deembedding": deembedding, **(fixtures or {}),
            # Only then: a record that was begun before there was the column can be gone on with.
            **({"bias_state": UNPOWERED} if is_unpowered else {}),
            **_s_row("raw_", raw[k]), **({} if corrected is None else _s_row("", corrected[k])), **constant,
            **({} if raised is None else {f"raised_s{i + 1}{j + 1}": float(raised[k, i, j]) for i, j in ELEMENTS}),
            **{name: float(values[k]) for name, values in match.items()},
            **({} if noise is None else {f"noise_s{i + 1}{j + 1}": float(noise[k, i, j]) for i, j in ELEMENTS}),
        }  # fmt: skip
        store("network", row)


def _noise(
    calibration: Calibration, frequency_hz: NDArray[np.float64], raw: Complexes, accuracy: NetworkAccuracy
) -> NDArray[np.float64]:
    """Of each corrected parameter: a receiver's noise is raised by as much as the tracking that is taken out."""
    place = _nearest(calibration, frequency_hz)
    found = np.hypot(accuracy.noise_floor, accuracy.trace_noise * np.abs(raw))
    for i, j in ELEMENTS:
        term = f"{'forward' if j == 0 else 'reverse'} {'reflection' if i == j else 'transmission'} tracking"
        if i != j and not math.isnan(calibration.isolation_noise):
            # What leaks from port to port was measured once, with noise of its own, and is taken out of every reading since.
            found[:, i, j] = np.hypot(found[:, i, j], calibration.isolation_noise)
        found[:, i, j] /= np.abs(calibration.terms[term][place])
    return np.asarray(found, dtype=np.float64)


def _nearest(calibration: Calibration, frequency_hz: NDArray[np.float64]) -> NDArray[np.intp]:
    return np.asarray(np.abs(calibration.frequency_hz[:, np.newaxis] - frequency_hz).argmin(axis=0), dtype=np.intp)


def store_standard(
    store: Store, time_s: float, name: str, frequency_hz: NDArray[np.float64], raw: Complexes, *, is_check: bool
) -> None:
    """One standard as measured. [s, Hz]"""
    for k, hz in enumerate(frequency_hz.tolist()):
        store(
            "standards",
            {"time_s": time_s, "standard": name, "is_check": int(is_check), "frequency_hz": hz, **_s_row("raw_", raw[k])},
        )


def store_calibration(store: Store, calibration: Calibration) -> None:
    """Its error terms."""
    for k, hz in enumerate(calibration.frequency_hz.tolist()):
        row: dict[str, float | int | str] = {"made_s": calibration.made_s, "method": calibration.kind, "frequency_hz": hz}
        for term, values in calibration.terms.items():
            name = term.replace(" ", "_")
            row[f"{name}_re"], row[f"{name}_im"] = float(values[k].real), float(values[k].imag)
        store("calibration", row)


def store_residual(store: Store, made_s: float, residual: Residual) -> None:
    """How well one standard came back."""
    store(
        "residuals",
        {
            "made_s": made_s, "standard": residual.name, "reflection": residual.reflection,
            "transmission": residual.transmission, "largest": residual.largest, "frequency_hz": residual.frequency_hz,
        },
    )  # fmt: skip


def s_from(rows: pd.DataFrame, prefix: str = "") -> Complexes:
    """
    S-parameters of rows in order of frequency, shape (n, 2, 2).

    Args:
        prefix: "" for corrected, "raw_" for raw ones.
    """
    s = np.empty((len(rows), 2, 2), dtype=np.complex128)
    for i, j in ELEMENTS:
        name = f"{prefix}s{i + 1}{j + 1}"
        s[:, i, j] = rows[f"{name}_re"].to_numpy(dtype=float) + 1j * rows[f"{name}_im"].to_numpy(dtype=float)
    return s


def calibration_from(rows: pd.DataFrame) -> Calibration:
    """The calibration that rows of the stream "calibration" of one channel hold."""
    names = {term: term.replace(" ", "_") for term in ERROR_TERMS}
    terms = {
        term: rows[f"{name}_re"].to_numpy(dtype=float) + 1j * rows[f"{name}_im"].to_numpy(dtype=float)
        for term, name in names.items()
    }
    method = str(rows["method"].iat[0])
    return Calibration(
        method,  # type: ignore[arg-type]  # checked by Calibration
        rows["frequency_hz"].to_numpy(dtype=float),
        terms,
        (),
        "as stored",
        float(rows["made_s"].to_numpy(dtype=float)[0]),
    )


def _s_row(prefix: str, s: Complexes) -> dict[str, float]:
    return dict(_parts(prefix, s))


def _parts(prefix: str, s: Complexes) -> Iterator[tuple[str, float]]:
    for i, j in ELEMENTS:
        yield f"{prefix}s{i + 1}{j + 1}_re", float(s[i, j].real)
        yield f"{prefix}s{i + 1}{j + 1}_im", float(s[i, j].imag)
