"""
S-parameters of the biased or of the unpowered device, small-signal: raw and corrected traces into the record, and what they say
in band. A block is one bias state; nothing of one is mixed with the other.
"""

from __future__ import annotations

import math
from collections.abc import Generator, Iterator, Mapping
from typing import TYPE_CHECKING, ClassVar, Literal

import numpy as np
from pydantic import Field

from benchkit.errors import MeasurementError
from benchkit.files.types import Dbm, Hertz, HertzAxis, Seconds
from benchkit.measurements.base import Ladder, MeasurementBlock, NetworkStation, NetworkSweep, Reading, Station
from benchkit.measurements.deembedding import Deembedding, raised_by
from benchkit.measurements.network_rows import NETWORK, store_network
from benchkit.measurements.s_parameter_figures import s_parameter_figures
from benchkit.measurements.s_parameter_results import PARAMETERS, s_parameter_results
from benchkit.measurements.unpowered_results import UNPOWERED_PARAMETERS
from benchkit.results.calibration import Calibration, apply, check_age
from benchkit.results.figure import Figure
from benchkit.results.repeats import combined
from benchkit.results.result import Parameter, Result

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["SParameters"]

# Contributions that are another from sweep to sweep.
RANDOM = ("network analyser noise",)


class SParameters(MeasurementBlock):
    """One sweep of all four S-parameters at each condition. Planes: the device's input and output, where it is corrected."""

    kind: Literal["s_parameters"]
    frequency_hz: HertzAxis = Field(alias="frequency", description="Ascending; the band that worst cases are taken from")
    level_dbm: Dbm = Field(alias="level", description="Highest at the device's input; lower where the path loses more than least")
    if_bandwidth_hz: Hertz = Field(alias="if_bandwidth", gt=0)
    averages: int = Field(default=1, ge=1, le=1000)
    repeats: int = Field(
        default=1,
        ge=1,
        le=100,
        description="How often the sweep is made at each condition; results are means, their scatter is in the uncertainty",
    )
    correction: Literal["none", "calibration"] = Field(
        description="calibration: by this sequence's measurement of kind calibration; none: raw traces only, and no results"
    )
    calibration_age_max_s: Seconds = Field(
        alias="calibration_age_max", default=12 * 3600.0, gt=0, description="An older calibration ends the run"
    )
    bias: Literal["biased", "unpowered"] = Field(
        default="biased",
        description="unpowered: every supply output off; swept once at each temperature and channel, before the bias comes up "
        "(needs limits.rf_unpowered_max)",
    )
    deembed: Deembedding | None = Field(
        default=None, description="What lies between the calibrated planes and the device, taken out of the corrected traces"
    )

    needs: ClassVar[frozenset[str]] = frozenset({"network"})
    streams: ClassVar = (NETWORK,)
    parameters: ClassVar[tuple[Parameter, ...]] = (*PARAMETERS, *UNPOWERED_PARAMETERS)

    @property
    def is_unpowered(self) -> bool:
        return self.bias == "unpowered"

    def ladders(self) -> Iterator[Ladder]:
        for index in range(self.repeats):
            yield Ladder(index=index, frequency_hz=math.nan, levels_dbm=())

    def ladder_count(self) -> int:
        return self.repeats

    def point_count(self) -> int:
        return self.repeats

    def frequency_span_hz(self) -> tuple[float, float] | None:
        return self.frequency_hz.minimum, self.frequency_hz.maximum

    def drive_span_dbm(self) -> tuple[float, float] | None:
        return self.level_dbm, self.level_dbm

    def network_sweep(self) -> NetworkSweep:
        return NetworkSweep(
            self.frequency_hz, self.level_dbm, self.if_bandwidth_hz, self.averages,
            wants_calibration=self.correction == "calibration", readings=self.repeats,
            is_unpowered=self.is_unpowered,
        )  # fmt: skip

    def files(self) -> dict[str, str]:
        return {} if self.deembed is None else {f"deembed.{key}": name for key, name in self.deembed.files().items()}

    def mistakes(self, files: Mapping[str, bytes] | None) -> Iterator[tuple[str, str]]:
        if self.deembed is None:
            return
        if self.correction == "none":
            yield "deembed", "needs correction: calibration; of uncorrected traces nothing can be taken out"
        for key, message in self.deembed.mistakes(files, np.array(self.frequency_hz, dtype=float)):
            yield f"deembed.{key}" if key else "deembed", message

    def stream_rows(self, stream: str) -> int:
        return self.repeats * len(self.frequency_hz)

    def measure(self, ladder: Ladder, station: Station) -> Generator[Reading, None, str]:
        network = station.network()
        calibration = self._usable(network) if self.correction == "calibration" else None
        grid = np.array(self.frequency_hz, dtype=float)
        raw = network.sweep(self.network_sweep())
        corrected = raised = None
        if calibration is not None:
            try:
                corrected = apply(calibration, grid, raw)
                if self.deembed is not None:
                    remover = self.deembed.remover(network.file, grid)
                    raised = raised_by(remover, corrected)
                    corrected = remover(corrected)
            except ValueError as error:
                raise MeasurementError(f"{self.title}, channel {network.channel}: {error}") from error
        removed = "" if self.deembed is None else self.deembed.said
        accuracy = network.accuracy(self.network_sweep())
        stated = None if self.deembed is None else self.deembed.stated()
        store_network(
            station.store, network.now_s(), grid, self.level_dbm, raw, corrected, calibration, accuracy, removed, stated, raised,
            self.is_unpowered,
        )
        # The bias that goes with it, or that there is none, RF off again.
        yield station.read()
        return ""

    def _usable(self, network: NetworkStation) -> Calibration:
        """
        Raises:
            MeasurementError: No calibration of this channel, or it is too old.
        """
        calibration, where = network.calibration(), f"{self.title}, channel {network.channel}"
        if calibration is None:
            raise MeasurementError(f"{where}: no calibration of this channel was made in this run")
        try:
            check_age(calibration, network.now_s(), self.calibration_age_max_s)
        except ValueError as error:
            raise MeasurementError(f"{where}: {error} (calibration_age_max)") from error
        return calibration

    def summarise(self, points: pd.DataFrame) -> list[Result]:
        return []

    def summarise_record(self, points: pd.DataFrame, streams: Mapping[str, pd.DataFrame]) -> list[Result]:
        results = s_parameter_results(streams["network"], self.title, is_unpowered=self.is_unpowered)
        return combined(results, RANDOM, self.repeats)

    def figures(self, points: pd.DataFrame, results: list[Result]) -> list[Figure]:
        return []

    def figures_record(
        self, points: pd.DataFrame, streams: Mapping[str, pd.DataFrame], results: list[Result]
    ) -> list[Figure]:
        return s_parameter_figures(self.title, streams["network"], is_unpowered=self.is_unpowered)

    def qualifiers(self, parameter: str) -> tuple[str, ...] | None:
        states = {one.name: "biased" for one in PARAMETERS} | {one.name: "unpowered" for one in UNPOWERED_PARAMETERS}
        if parameter not in states:
            return None
        return ("",) if states[parameter] == self.bias else ()

    def notes(self) -> dict[str, str]:
        return {**self._of_state(), **self._of_correction()}

    def _of_state(self) -> dict[str, str]:
        if not self.is_unpowered:
            return {}
        return {
            "bias": "none: every supply output read off, no drain with voltage or current, before and while it was swept",
            "passivity": "an unpowered part gives out no more than it is given (S^H S <= 1) and is reciprocal (S = S^T; Pozar, "
            "Microwave Engineering, 4th ed., 4.2 and 4.3); a sweep that is not passive within its uncertainty gives no other "
            "number",
        }

    def _of_correction(self) -> dict[str, str]:
        if self.correction == "none":
            return {"correction": "none: traces are as the analyser's receivers see them, at its ports; no device results"}
        removed = {} if self.deembed is None else {
            "de-embedding": f"{self.deembed.said} ({', '.join(self.deembed.files().values())}, kept in the record), taken out of "
            f"the corrected traces; the planes are then the device's own. {self.deembed.in_uncertainty}"
        }  # fmt: skip
        return {
            "correction": "12-term, by this record's own calibration; planes: device input and output",
            **removed,
            "uncertainty": "the largest residual that standards connected again showed bounds directivity, match and tracking "
            "(u = r / 2 each); noise, linearity and drift as the bench file states them; derived figures by drawing each error "
            "over the whole sweep",
        }
