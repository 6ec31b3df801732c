"""Power readings before anything is biased, and what follows from them, as rows of the record."""

from __future__ import annotations

from collections.abc import Hashable, Mapping
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from benchkit.measurements.base import BlockStream, Column
from benchkit.results.result import ResultCondition
from benchkit.results.uncertainty import Contribution

if TYPE_CHECKING:
    import pandas as pd

    from benchkit.measurements.power_before import Feed, PowerStation, Step

__all__ = [
    "COMPRESSIONS",
    "LEVELS",
    "PATHS",
    "PATH_BUDGETS",
    "RISE",
    "VERIFICATION",
    "budgets_of",
    "condition_of",
    "doubted",
    "driven_by",
    "read_series",
    "store_budget",
]

RISE = "rise of "
"""Before a path's name, where a line of a budget belongs to how it compresses."""

TIME_UNITS = "seconds since 1970-01-01T00:00:00Z"
FREQUENCY = Column("frequency_hz", "Hz", "frequency")
# Told of the second source alone: records that were begun before there was such a column are gone on with.
DRIVEN_BY = Column("driven_by", "", "RF source that was on: second source, or empty: the channel's first", "S24")

# Told where there is one alone, for the same reason.
DOUBT = Column("doubt", "", "what casts doubt on the loss; empty: nothing", "S200")

LEVELS = BlockStream(
    "power_levels",
    (
        Column("time_s", TIME_UNITS, "end of the reading"),
        Column(
            "connected", "",
            "what was connected: sensor at source or second source, sensor (at the device's input plane), a thru with the sensor "
            "at the analyser's cable (sensor at analyser) or at its own place (thru)",
            "S24",
        ),
        DRIVEN_BY,
        Column("repeat", "1", "which of the repeated readings, from 0", "i8"),
        FREQUENCY,
        Column("source_level_dbm", "dBm", "level set at the source (raw)", plane="source connector"),
        Column("meter_dbm", "dBm", "power meter reading (raw)", plane="power sensor"),
    ),
)
PATHS = BlockStream(
    "paths",
    (
        Column("made_s", TIME_UNITS, "when the last reading was taken"),
        Column("path", "", "name of the path in the bench file", "S64"),
        Column("planes", "", "from where to where", "S64"),
        FREQUENCY,
        Column("source_level_dbm", "dBm", "level set at the source", plane="source connector"),
        Column("loss_db", "dB", "loss between the planes; below zero: gain"),
        Column("expanded_uncertainty_db", "dB", "expanded uncertainty of loss_db, k = 2"),
        Column("adapter_db", "dB", "loss of the sensor's adapter that was taken out; 0: none, or it cancels"),
        Column("source", "", "RF source, by its name in the bench file", "S64"),
        Column("meter", "", "power meter, by its name in the bench file", "S64"),
        Column("how", "", "against what", "S160"),
        DOUBT,
    ),
)
PATH_BUDGETS = BlockStream(
    "path_budgets",
    (
        Column("path", "", "name of the path in the bench file, or what else the line belongs to", "S64"),
        FREQUENCY,
        Column("contribution", "", "what makes it uncertain", "S80"),
        Column("standard_uncertainty_db", "dB", "standard uncertainty; independent of the others of its path and frequency"),
        Column("degrees_of_freedom", "1", "infinite unless from repeated readings"),
    ),
)
COMPRESSIONS = BlockStream(
    "path_compressions",
    (
        Column("path", "", "name of the path in the bench file", "S64"),
        DRIVEN_BY,
        FREQUENCY,
        Column("from_dbm", "dBm", "lowest level set at the source", plane="source connector"),
        Column("to_dbm", "dBm", "highest level set at the source", plane="source connector"),
        Column("rise_db", "dB", "loss at the highest level less loss at the lowest"),
        Column("expanded_uncertainty_db", "dB", "expanded uncertainty of rise_db, k = 2"),
    ),
)
VERIFICATION = BlockStream(
    "verification",
    (
        Column("time_s", TIME_UNITS, "when the last reading was taken"),
        DRIVEN_BY,
        FREQUENCY,
        Column("drive_set_dbm", "dBm", "level asked for", plane="device input"),
        Column("source_level_dbm", "dBm", "level set at the source (raw)", plane="source connector"),
        Column("meter_dbm", "dBm", "power meter, mean of the readings", plane="power meter connector"),
        Column("input_loss_db", "dB", "input path's loss used"),
        Column("output_loss_db", "dB", "output path's loss used"),
        Column("gain_db", "dB", "gain of the thru by these tables; 0 dB, were all as stated"),
        Column("expanded_uncertainty_db", "dB", "expanded uncertainty of gain_db, k = 2"),
        Column("limit_db", "dB", "furthest from 0 dB that counts as right"),
        Column("is_within", "1", "1: within the limit", "i8"),
    ),
)


def read_series(
    station: PowerStation, step: Step, frequencies_hz: list[float], levels_dbm: list[float], repeats: int
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """
    Every frequency and level, the whole walk `repeats` times: the source is set anew each time, so that scatter has how well it
    comes back in it. Each reading is stored.

    Returns:
        Levels set at the source and levels read, shape (repeats, frequencies, levels) each. [dBm]
    """
    shape = (repeats, len(frequencies_hz), len(levels_dbm))
    set_dbm, read_dbm = np.empty(shape), np.empty(shape)
    for repeat in range(repeats):
        for row, hz in enumerate(frequencies_hz):
            for column, level_dbm in enumerate(levels_dbm):
                at = repeat, row, column
                set_dbm[at], read_dbm[at] = station.read(hz, level_dbm, step.feed)
                station.store(
                    LEVELS.name,
                    {
                        "time_s": station.now_s(),
                        "connected": step.what,
                        **driven_by(step.feed),
                        "repeat": repeat,
                        "frequency_hz": hz,
                        "source_level_dbm": float(set_dbm[at]),
                        "meter_dbm": float(read_dbm[at]),
                    },
                )
    return set_dbm, read_dbm


def driven_by(feed: Feed) -> dict[str, str]:
    """For a row: empty where the first source was on."""
    return {} if feed == "source" else {DRIVEN_BY.name: feed}


def doubted(doubt: str) -> dict[str, str]:
    """For a row: nothing where there is no doubt."""
    return {DOUBT.name: doubt} if doubt else {}


def store_budget(station: PowerStation, of: str, frequency_hz: float, lines: tuple[Contribution, ...]) -> None:
    for line in lines:
        station.store(
            PATH_BUDGETS.name,
            {
                "path": of,
                "frequency_hz": frequency_hz,
                "contribution": line.name,
                "standard_uncertainty_db": line.amount,
                "degrees_of_freedom": line.degrees_of_freedom,
            },
        )


def budgets_of(streams: Mapping[str, pd.DataFrame]) -> dict[tuple[str, str, float], tuple[Contribution, ...]]:
    """As they were stored, by path, channel and frequency."""
    found: dict[tuple[str, str, float], list[Contribution]] = {}
    columns = ["path", "channel", "frequency_hz", "contribution", "standard_uncertainty_db", "degrees_of_freedom"]
    for path, channel, hz, name, u, freedom in streams[PATH_BUDGETS.name][columns].itertuples(index=False, name=None):
        found.setdefault((str(path), str(channel), float(hz)), []).append(Contribution(str(name), float(u), 1.0, float(freedom)))
    return {key: tuple(lines) for key, lines in found.items()}


def condition_of(row: Mapping[Hashable, Any]) -> ResultCondition:
    return ResultCondition(channel=str(row["channel"]), frequency_hz=float(row["frequency_hz"]))
