"""The stream of a two-tone measurement: one row for each line of each point, as read and at the device's plane."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from benchkit.measurements.base import BlockStream, Column, Reading, ToneLine

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["TONES", "LineLadder", "line_ladder", "store_lines"]

Floats = NDArray[np.float64]

ANALYSER, OUTPUT = "spectrum analyser's connector", "device output"
TONES = BlockStream(
    "tones",
    (
        Column("time_s", "seconds since 1970-01-01T00:00:00Z", "when the point's instruments were armed"),
        Column("centre_hz", "Hz", "middle between the tones"),
        Column("spacing_hz", "Hz", "from the lower to the upper tone"),
        Column("drive_set_dbm", "dBm", "level asked for, of each tone", plane="device input"),
        Column("line", "", "which line: tone, product and its order, or noise beside them", "S12"),
        Column("frequency_hz", "Hz", "where it was read"),
        Column("attenuation_db", "dB", "at the spectrum analyser's input"),
        Column("resolution_bandwidth_hz", "Hz", "as the analyser took it"),
        Column("analyser_dbm", "dBm", "level (raw)", plane=ANALYSER),
        Column("loss_db", "dB", "path's loss used", plane="device output to spectrum analyser's connector"),
        Column("output_dbm", "dBm", "level, corrected; NaN: no reading, or outside the analyser's range", plane=OUTPUT),
        Column("noise_dbm", "dBm", "noise by the analyser's rating; NaN: not stated", plane=OUTPUT),
        Column("own_dbm", "dBm", "analyser's own third-order product by its rating; NaN: not stated", plane=OUTPUT),
        Column("u_path_db", "dB", "standard uncertainty of loss_db"),
        Column("u_analyser_db", "dB", "standard uncertainty of analyser_dbm"),
        Column("u_relative_db", "dB", "standard uncertainty of the difference of two lines of one point"),
        Column("u_mismatch_db", "dB", "standard uncertainty: mismatch at the device's output; NaN: not stated"),
    ),
)


def store_lines(
    store: Callable[[str, Mapping[str, float | int | str]], None], reading: Reading, lines: Iterable[ToneLine]
) -> None:
    """Every line of one point."""
    for line in lines:
        store(
            TONES.name,
            {
                "time_s": reading["time_s"], "centre_hz": reading["frequency_hz"], "spacing_hz": reading["spacing_hz"],
                "drive_set_dbm": reading["drive_set_dbm"], "line": line.name, "frequency_hz": line.frequency_hz,
                "attenuation_db": line.attenuation_db, "resolution_bandwidth_hz": line.bandwidth_hz,
                "analyser_dbm": line.analyser_dbm, "loss_db": line.loss_db, "output_dbm": line.output_dbm,
                "noise_dbm": line.noise_dbm, "own_dbm": line.own_dbm, "u_path_db": line.u_path_db,
                "u_analyser_db": line.u_analyser_db, "u_relative_db": line.u_relative_db,
                "u_mismatch_db": line.u_mismatch_db,
            },
        )  # fmt: skip


@dataclass(frozen=True)
class LineLadder:
    """
    One ladder's lines at one attenuation.

    Attributes:
        drive_dbm: Of each tone, ascending, shape (n,). [dBm]
        levels_dbm: At the device's output, by line, each of shape (n,); NaN: no reading. [dBm]
        noise_dbm: The higher of the rated and the read noise, at the device's output, shape (n,); NaN: neither is known. [dBm]
        own_dbm: The analyser's own third-order product by its rating, likewise; NaN: not stated. [dBm]
        u_path_db, u_analyser_db, u_relative_db, u_mismatch_db: Standard uncertainties, the largest of the ladder; NaN: not
            stated. [dB]
    """

    spacing_hz: float
    drive_dbm: Floats
    levels_dbm: Mapping[str, Floats]
    noise_dbm: Floats
    own_dbm: Floats
    u_path_db: float
    u_analyser_db: float
    u_relative_db: float
    u_mismatch_db: float = math.nan


def line_ladder(rows: pd.DataFrame, attenuation_db: float) -> LineLadder | None:
    """
    Args:
        rows: Of the stream, of one attempt at one ladder.

    Returns:
        None: nothing was read with this attenuation.
    """
    own = rows[np.isclose(rows["attenuation_db"].to_numpy(dtype=float), attenuation_db, atol=1e-6)]
    if not len(own):
        return None
    drive = np.unique(own["drive_set_dbm"].to_numpy(dtype=float))

    def column(of: pd.DataFrame, name: str) -> Floats:
        values = np.full(drive.size, np.nan)
        values[np.searchsorted(drive, of["drive_set_dbm"].to_numpy(dtype=float))] = of[name].to_numpy(dtype=float)
        return values

    by_line = {str(name): part for name, part in own.groupby("line", sort=False)}
    levels = {name: column(part, "output_dbm") for name, part in by_line.items()}
    product = by_line["lower IM3"]
    # fmax takes the one that is known.
    noise = np.fmax(column(product, "noise_dbm"), levels["noise"])
    return LineLadder(
        spacing_hz=float(own["spacing_hz"].to_numpy(dtype=float)[0]),
        drive_dbm=drive,
        levels_dbm=levels,
        noise_dbm=noise,
        own_dbm=column(product, "own_dbm"),
        u_path_db=float(own["u_path_db"].max()),
        u_analyser_db=float(own["u_analyser_db"].max()),
        u_relative_db=float(own["u_relative_db"].max()),
        # A record from before this column does not know it.
        u_mismatch_db=float(own["u_mismatch_db"].max()) if "u_mismatch_db" in own else math.nan,
    )
