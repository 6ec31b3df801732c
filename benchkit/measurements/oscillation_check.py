"""
Does the device oscillate? Biased, not driven, over a wide span, at each condition, before anything is driven.

An oscillating device ends the run: it makes power that nobody put in, and what is measured of it means nothing.
"""

from __future__ import annotations

import math
from collections.abc import Generator, Iterator, Mapping
from typing import TYPE_CHECKING, ClassVar, Literal

import numpy as np
from numpy.typing import NDArray
from pydantic import Field

from benchkit.errors import LimitError, MeasurementError
from benchkit.files.types import Dbm, Decibels, Hertz
from benchkit.measurements.base import Ladder, MeasurementBlock, Reading, Station
from benchkit.measurements.oscillation_results import PARAMETERS, oscillation_figures, oscillation_results
from benchkit.measurements.responses import MOST, Response, look_twice, nearby, noise_of, strongest_above
from benchkit.measurements.spectrum_base import LevelBound, SpectrumAsked, SpectrumStation, SpectrumSweep, SpectrumTrace
from benchkit.measurements.spectrum_rows import LINES, TRACES, line_row, store_lines, store_trace
from benchkit.results.figure import Figure
from benchkit.results.result import Parameter, Result

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["OscillationCheck"]

Floats = NDArray[np.float64]
UNDRIVEN = math.nan
ADVICE = "nothing was driven at this condition; look at bias network, terminations and grounding before you drive it"


class OscillationCheck(MeasurementBlock):
    """Anything at the output of the undriven device above a level, or above the noise by a margin, ends the run."""

    kind: Literal["oscillation_check"]
    from_hz: Hertz = Field(alias="from", gt=0)
    to_hz: Hertz = Field(alias="to", gt=0)
    resolution_bandwidth_hz: Hertz = Field(alias="resolution_bandwidth", gt=0)
    points: int = Field(default=2001, ge=201, le=100_001, description="Each shows the highest level of its interval")
    attenuation_db: Decibels = Field(alias="attenuation", default=10.0, ge=0, description="At the spectrum analyser's input")
    level_dbm: Dbm | None = Field(alias="level", default=None, description="At the device's output; more is an oscillation")
    above_noise_db: Decibels | None = Field(
        alias="above_noise", default=None, description="So far above the noise around it is an oscillation, too"
    )
    noise_margin_db: Decibels = Field(
        alias="noise_margin", default=10.0, ge=10, description="Noise must be so far below `level`, or nothing would be seen"
    )
    check_step_db: Decibels = Field(
        alias="check_step",
        default=10.0,
        ge=6,
        description="What stands out is read again with so much more attenuation: a response of the analyser's own rises with it",
    )
    priority: int = Field(default=9, ge=1, le=9, description="As of any measurement; not below one that drives the device")
    on_failure: Literal["skip condition", "stop"] = Field(
        default="stop", description="When it cannot tell: the device is not driven at this condition in any case"
    )

    needs: ClassVar[frozenset[str]] = frozenset({"spectrum"})
    streams: ClassVar = (TRACES, LINES)
    parameters: ClassVar[tuple[Parameter, ...]] = PARAMETERS
    before_drive: ClassVar[bool] = True

    def mistakes(self, files: Mapping[str, bytes] | None) -> Iterator[tuple[str, str]]:
        if not self.from_hz < self.to_hz:
            yield "to", f"{self.to_hz / 1e9:.10g} GHz is not above from, {self.from_hz / 1e9:.10g} GHz"
        elif 10 * self.resolution_bandwidth_hz > min(self.from_hz, self.to_hz - self.from_hz):
            yield (
                "resolution_bandwidth",
                f"{self.resolution_bandwidth_hz:g} Hz is too wide: the span, and the distance of `from` to 0 Hz, where an "
                "analyser "
                "shows its own oscillator, are 10 bandwidths or more",
            )
        if self.level_dbm is None and self.above_noise_db is None:
            yield "", "says nothing of what an oscillation is; expected level, above_noise, or both"
        if self.above_noise_db is not None and self.above_noise_db < self.noise_margin_db:
            yield (
                "above_noise",
                f"{self.above_noise_db:g} dB is below noise_margin, {self.noise_margin_db:g} dB: peaks of noise would be "
                "taken for "
                "oscillations",
            )
        if self.check_step_db > self.noise_margin_db:
            yield (
                "check_step",
                f"{self.check_step_db:g} dB is above noise_margin, {self.noise_margin_db:g} dB: behind so much "
                "attenuation a line of "
                "the device is noise, and would be taken for the analyser's own",
            )

    @property
    def sweep(self) -> SpectrumSweep:
        return SpectrumSweep(self.from_hz, self.to_hz, self.resolution_bandwidth_hz, self.points)

    def spectrum_asked(self) -> SpectrumAsked:
        bounds: tuple[LevelBound, ...] = ()
        # Where the path's table ends, only above_noise can judge.
        if self.level_dbm is not None and self.above_noise_db is None:
            bounds = (LevelBound(self.from_hz, self.to_hz, self.level_dbm, "level"),)
        return SpectrumAsked(
            attenuation_db=self.attenuation_db,
            check_step_db=self.check_step_db,
            sweep=self.sweep,
            sweep_count=1,
            bounds=bounds,
            noise_margin_db=self.noise_margin_db,
        )

    def ladders(self) -> Iterator[Ladder]:
        yield Ladder(index=0, frequency_hz=math.nan, levels_dbm=())

    def ladder_count(self) -> int:
        return 1

    def point_count(self) -> int:
        return 1

    def stream_rows(self, stream: str) -> int:
        return self.points if stream == TRACES.name else 0

    def frequency_span_hz(self) -> tuple[float, float] | None:
        return None

    def drive_span_dbm(self) -> tuple[float, float] | None:
        return None

    def measure(self, ladder: Ladder, station: Station) -> Generator[Reading, None, str]:
        station.rest()
        spectrum = station.spectrum()
        reading, trace = spectrum.sweep(self.sweep, self.attenuation_db)
        limit_dbm = self._limit_dbm(trace, spectrum.channel)
        own = self._look(spectrum, trace, limit_dbm)
        store_trace(station.store, trace, UNDRIVEN, UNDRIVEN)
        for response in own:
            store_lines(station.store, (response.first, response.again), UNDRIVEN, UNDRIVEN)
        yield reading
        return ""

    def _limit_dbm(self, trace: SpectrumTrace, channel: str) -> Floats:
        """
        What counts as an oscillation, at the analyser's connector, shape (points,). [dBm]

        Raises:
            MeasurementError: It cannot be seen everywhere.
        """
        where = f"{self.title}, channel {channel}"
        missing = int(np.isnan(trace.analyser_dbm).sum())
        if missing:
            raise MeasurementError(
                f"{where}: the analyser gave no number at {missing} of {len(trace.analyser_dbm)} points; an oscillation "
                "may be there"
            )
        noise = noise_of(trace)
        found = np.full(noise.size, np.inf)
        if self.level_dbm is not None:
            level = self.level_dbm - trace.loss_db
            hidden = level < noise + self.noise_margin_db
            if hidden.any():
                worst = int(np.nanargmax(np.where(hidden, noise - level, -np.inf)))
                output_dbm = noise[worst] + trace.loss_db[worst]
                raise MeasurementError(
                    f"{where}: an oscillation of {self.level_dbm:g} dBm would not be seen at "
                    f"{trace.frequency_hz[worst] / 1e9:.6g} GHz: the analyser's noise reads {output_dbm:.1f} dBm at the device's "
                    f"output there, and it must be {self.noise_margin_db:g} dB below (noise_margin); narrow "
                    "resolution_bandwidth, "
                    "take less attenuation, or a higher level"
                )
            found = np.fmin(found, level)
        if self.above_noise_db is not None:
            found = np.fmin(found, noise + self.above_noise_db)
        blind = np.isinf(found)
        if blind.any():
            raise MeasurementError(
                f"{where}: at {trace.frequency_hz[int(np.argmax(blind))] / 1e9:.6g} GHz the path's loss is not known, and "
                "`level` is "
                "at the device's output; state above_noise, too, or measure the path further"
            )
        return np.asarray(found, dtype=np.float64)

    def _look(self, spectrum: SpectrumStation, trace: SpectrumTrace, limit_dbm: Floats) -> list[Response]:
        """
        Whatever stands out, looked at again; those that are the analyser's own.

        Raises:
            LimitError: One is the device's.
            MeasurementError: There is no end of them.
        """
        own: list[Response] = []
        left_out = np.zeros(limit_dbm.size, dtype=bool)
        while (index := strongest_above(trace, limit_dbm, left_out)) is not None:
            if len(own) == MOST:
                raise MeasurementError(
                    f"{self.title}, channel {spectrum.channel}: more than {MOST} responses are the analyser's own; "
                    "between them an "
                    "oscillation would not be seen. Is something connected that radiates, or is the threshold too low?"
                )
            frequency_hz = float(trace.frequency_hz[index])
            response = look_twice(spectrum, self.sweep, frequency_hz, self.attenuation_db, self.check_step_db, len(own) + 1)
            if not response.is_own:
                self._refuse(spectrum, trace, index, float(limit_dbm[index]), response)
            own.append(response)
            left_out |= nearby(trace, frequency_hz)
        return own

    def _refuse(
        self, spectrum: SpectrumStation, trace: SpectrumTrace, index: int, limit_dbm: float, response: Response
    ) -> None:
        """
        Raises:
            LimitError: With frequency and level; the trace goes into the record after the part is safe.
        """
        store_trace(spectrum.keep_evidence, trace, UNDRIVEN, UNDRIVEN)
        for line in (response.first, response.again):
            spectrum.keep_evidence(LINES.name, line_row(line, UNDRIVEN, UNDRIVEN))
        # The narrow sweep tells the frequency better; what was seen first is the level, for it may come and go.
        loss_db = float(trace.loss_db[index])
        is_known = not math.isnan(loss_db)
        raw_dbm = max(float(trace.analyser_dbm[index]), response.first.analyser_dbm)
        hz = response.first.frequency_hz
        if response.first.analyser_dbm <= limit_dbm:
            hz = float(trace.frequency_hz[index])
        plane = "at the device's output" if is_known else "at the spectrum analyser's connector (path's loss not known there)"
        by_level = self.level_dbm is not None and is_known and math.isclose(limit_dbm + loss_db, self.level_dbm, abs_tol=1e-9)
        key = "level" if by_level else "above_noise"
        what = f"channel {spectrum.channel} oscillates at {hz / 1e9:.6g} GHz, biased and not driven, level {plane}"
        shift_db = loss_db if is_known else 0.0
        raise LimitError(what, raw_dbm + shift_db, limit_dbm + shift_db, "dBm", f"{self.title}: {key}; {ADVICE}")

    def summarise(self, points: pd.DataFrame) -> list[Result]:
        return []

    def summarise_record(self, points: pd.DataFrame, streams: Mapping[str, pd.DataFrame]) -> list[Result]:
        traces, lines = streams.get(TRACES.name), streams.get(LINES.name)
        return [] if traces is None else oscillation_results(traces, lines, self.level_dbm, self.title)

    def figures(self, points: pd.DataFrame, results: list[Result]) -> list[Figure]:
        return []

    def figures_record(
        self, points: pd.DataFrame, streams: Mapping[str, pd.DataFrame], results: list[Result]
    ) -> list[Figure]:
        traces = streams.get(TRACES.name)
        return [] if traces is None else oscillation_figures(self.title, traces, self.level_dbm)

    def notes(self) -> dict[str, str]:
        said = [] if self.level_dbm is None else [f"above {self.level_dbm:g} dBm at the device's output"]
        if self.above_noise_db is not None:
            said.append(f"{self.above_noise_db:g} dB or more above the noise around it")
        return {
            "oscillation": f"biased and not driven, {' or '.join(said)}, and not rising with {self.check_step_db:g} dB more "
            "attenuation",
            "detector": "each point of a trace is the highest level of its interval",
        }
