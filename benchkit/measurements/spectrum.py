"""Harmonics against drive, and a search for spurious lines held against a mask; one carrier."""

from __future__ import annotations

import math
from collections.abc import Generator, Iterator, Mapping
from typing import TYPE_CHECKING, ClassVar, Literal

import numpy as np
from pydantic import Field

from benchkit.errors import MeasurementError
from benchkit.files.types import DbmAxis, Decibels, Hertz, HertzAxis
from benchkit.measurements.base import Ladder, MeasurementBlock, Reading, Station
from benchkit.measurements.believable import Ascent
from benchkit.measurements.harmonic_figures import harmonic_figures
from benchkit.measurements.harmonic_results import (
    CARRIER,
    HARMONICS,
    HIGHEST_HARMONIC,
    RANDOM,
    HarmonicConventions,
    at_drive,
    harmonic_results,
    lines_read,
)
from benchkit.measurements.level_agreement import LEVEL_AGREEMENT, level_agreement
from benchkit.measurements.mask import limits_dbm
from benchkit.measurements.responses import MOST, look_twice, nearby, noise_of, strongest_above
from benchkit.measurements.search import Search, search_mistakes
from benchkit.measurements.spectrum_base import LevelBound, SpectrumAsked, SpectrumLine, SpectrumStation, SpectrumSweep
from benchkit.measurements.spectrum_rows import LINES, TRACES, store_lines, store_trace
from benchkit.measurements.spurious_figures import spurious_figures
from benchkit.measurements.spurious_results import SPURIOUS, SearchConventions, kept_out, spurious_results
from benchkit.results.figure import Figure
from benchkit.results.repeats import combined
from benchkit.results.result import Parameter, Result

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["Spectrum"]

class Spectrum(MeasurementBlock):
    """One carrier, ascending, at each frequency; at each level its harmonics, at the highest (or all) the search."""

    kind: Literal["spectrum"]
    frequency_hz: HertzAxis = Field(alias="frequency")
    drive_dbm: DbmAxis = Field(alias="drive", description="At the device's input, ascending")
    repeats: int = Field(
        default=1,
        ge=1,
        le=100,
        description="How often all frequencies are gone through at each condition; harmonics are means, their scatter is in the "
        "uncertainty; of the search the worst of all repeats is told",
    )
    harmonics: int = Field(default=3, ge=1, le=HIGHEST_HARMONIC, description="Up to this one; 1: none")
    resolution_bandwidth_hz: Hertz = Field(alias="resolution_bandwidth", gt=0, description="For carrier and harmonics")
    attenuation_db: Decibels = Field(
        alias="attenuation", ge=0, description="At the spectrum analyser; so much that its own harmonics stay below the device's"
    )
    check_step_db: Decibels = Field(
        alias="check_step",
        default=10.0,
        ge=6,
        description="Lines are read again with so much more attenuation: the device's stay, the analyser's own fall or rise",
    )
    check_tolerance_db: Decibels = Field(
        alias="check_tolerance", default=0.5, gt=0, lt=3, description="Change, beyond noise, that is still the device's"
    )
    noise_margin_db: Decibels = Field(
        alias="noise_margin", default=10.0, ge=3, description="A harmonic that is not so far above the noise gives no number"
    )
    gain_rise_max: float = Field(
        default=0.25, gt=0, le=3, description="Gain that rises by more per dB of drive ends the run: a path jumped [dB/dB]"
    )
    gain_min_db: Decibels | None = Field(
        alias="gain_min", default=None, description="Less than this at a ladder's first point ends the run"
    )
    search: Search | None = Field(default=None, description="For spurious lines; default: none")
    at: Literal["highest drive", "every drive"] = Field(
        default="highest drive", description="Of results and search; harmonics are read at every drive"
    )

    needs: ClassVar[frozenset[str]] = frozenset({"power", "spectrum"})
    streams: ClassVar = (TRACES, LINES)
    parameters: ClassVar[tuple[Parameter, ...]] = (*HARMONICS, *SPURIOUS, LEVEL_AGREEMENT)

    def mistakes(self, files: Mapping[str, bytes] | None) -> Iterator[tuple[str, str]]:
        search = self.search
        if self.harmonics == 1 and search is None:
            yield "", "asks for nothing: harmonics: 1 is none, and there is no search"
        if search is not None:
            yield from search_mistakes(search)

    @property
    def _sweep(self) -> SpectrumSweep | None:
        search = self.search
        if search is None:
            return None
        return SpectrumSweep(search.from_hz, search.to_hz, search.resolution_bandwidth_hz, search.points, "search")

    def _lines_hz(self, frequency_hz: float) -> dict[str, float]:
        return {CARRIER: frequency_hz} | {f"harmonic {n}": n * frequency_hz for n in range(2, self.harmonics + 1)}

    def spectrum_asked(self) -> SpectrumAsked:
        levels, frequencies = len(self.drive_dbm), self.repeats * len(self.frequency_hz)
        count = 0 if self.search is None else frequencies * (levels if self.at == "every drive" else 1)
        bounds: tuple[LevelBound, ...] = ()
        if self.search is not None:
            bounds = tuple(
                LevelBound(one.from_hz, one.to_hz, one.absolute_dbm, f"search.mask[{index}]")
                for index, one in enumerate(self.search.mask)
            )
        return SpectrumAsked(
            attenuation_db=self.attenuation_db,
            check_step_db=self.check_step_db,
            sweep=self._sweep,
            sweep_count=count,
            lines_hz=tuple(n * hz for hz in self.frequency_hz for n in range(1, self.harmonics + 1)),
            line_bandwidth_hz=self.resolution_bandwidth_hz,
            line_count=2 * frequencies * levels * self.harmonics,
            bounds=bounds,
            noise_margin_db=0.0 if self.search is None else self.search.noise_margin_db,
        )

    def ladders(self) -> Iterator[Ladder]:
        levels = tuple(self.drive_dbm)
        # All frequencies before the first comes again: each repeat sets source and analyser anew.
        for index, frequency_hz in enumerate(hz for _ in range(self.repeats) for hz in self.frequency_hz):
            yield Ladder(index, frequency_hz, levels)

    def ladder_count(self) -> int:
        return self.repeats * len(self.frequency_hz)

    def point_count(self) -> int:
        return self.ladder_count() * len(self.drive_dbm)

    def stream_rows(self, stream: str) -> int:
        asked = self.spectrum_asked()
        if stream == TRACES.name:
            return 0 if asked.sweep is None else asked.sweep_count * asked.sweep.points
        return asked.line_count

    def frequency_span_hz(self) -> tuple[float, float] | None:
        return self.frequency_hz.minimum, self.frequency_hz.maximum

    def drive_span_dbm(self) -> tuple[float, float] | None:
        return self.drive_dbm.minimum, self.drive_dbm.maximum

    def measure(self, ladder: Ladder, station: Station) -> Generator[Reading, None, str]:
        station.tune(ladder.frequency_hz)
        spectrum = station.spectrum()
        lines_hz = self._lines_hz(ladder.frequency_hz)
        ascent = Ascent(self.title, self.gain_rise_max, self.gain_min_db)
        for level_dbm in ladder.levels_dbm:
            station.drive(level_dbm)
            reading = station.read()
            lines: list[SpectrumLine] = []
            for more_db in (self.check_step_db, 0.0):
                read = spectrum.lines(lines_hz, self.resolution_bandwidth_hz, self.attenuation_db + more_db)[1]
                lines = [*read, *lines]
            store_lines(station.store, lines, ladder.frequency_hz, level_dbm)
            yield reading
            ascent.add(reading)
            if self.search is not None and (self.at == "every drive" or level_dbm == ladder.levels_dbm[-1]):
                self._search(station, spectrum, ladder.frequency_hz, level_dbm, lines[0])
        station.rest()
        return ""

    def _search(
        self, station: Station, spectrum: SpectrumStation, carrier_hz: float, level_dbm: float, carrier: SpectrumLine
    ) -> None:
        """
        The whole span, and whatever is above the mask looked at twice.

        Raises:
            MeasurementError: The carrier has no level, which the mask may be counted from, or there is no end of lines.
        """
        search, sweep = self.search, self._sweep
        assert search is not None, "asked for"
        assert sweep is not None, "asked for"
        if math.isnan(carrier.output_dbm):
            raise MeasurementError(
                f"{self.title}, channel {spectrum.channel}: the carrier has no level within the analyser's range, and "
                "nothing can be "
                "held against it; see range_min and range_max of the bench file, and the attenuation"
            )
        trace = spectrum.sweep(sweep, self.attenuation_db)[1]
        store_trace(station.store, trace, carrier_hz, level_dbm)
        limit_dbm = limits_dbm(search.mask, trace.frequency_hz, carrier.output_dbm) - trace.loss_db
        left_out = kept_out(trace, carrier_hz, self._conventions())
        if np.any((noise_of(trace) + search.noise_margin_db > limit_dbm) & ~left_out):
            return  # nothing can be said of the mask, and the result says why
        for number in range(1, MOST + 1):
            index = strongest_above(trace, limit_dbm, left_out)
            if index is None:
                return
            frequency_hz = float(trace.frequency_hz[index])
            response = look_twice(spectrum, sweep, frequency_hz, self.attenuation_db, self.check_step_db, number)
            store_lines(station.store, (response.first, response.again), carrier_hz, level_dbm)
            left_out |= nearby(trace, frequency_hz)

    def _conventions(self) -> SearchConventions:
        search = self.search
        assert search is not None, "asked for"
        return SearchConventions(
            mask=search.mask,
            guard_hz=search.guard_hz,
            leaves_out_harmonics=search.leaves_out == "carrier and harmonics",
            noise_margin_db=search.noise_margin_db,
            attenuation_db=self.attenuation_db,
            repeats=self.repeats,
        )

    def _harmonic_conventions(self) -> HarmonicConventions:
        return HarmonicConventions(
            highest=self.harmonics,
            attenuation_db=self.attenuation_db,
            check_step_db=self.check_step_db,
            check_tolerance_db=self.check_tolerance_db,
            noise_margin_db=self.noise_margin_db,
            reports_every_drive=self.at == "every drive",
        )

    def summarise(self, points: pd.DataFrame) -> list[Result]:
        return []

    def summarise_record(self, points: pd.DataFrame, streams: Mapping[str, pd.DataFrame]) -> list[Result]:
        lines, traces = streams.get(LINES.name), streams.get(TRACES.name)
        if lines is None:
            return []
        each = harmonic_results(points, lines, self._harmonic_conventions(), self.title)
        results = combined(each, RANDOM, self.repeats)
        if self.search is not None and traces is not None:
            results += spurious_results(points, traces, lines, self._conventions(), self.title)
        by_ladder = {int(str(ladder)): rows for ladder, rows in lines.groupby("ladder")}

        def read(ladder: int, drive_dbm: float) -> Mapping[str, SpectrumLine]:
            return {} if ladder not in by_ladder else lines_read(at_drive(by_ladder[ladder], drive_dbm), self.attenuation_db)

        return results + level_agreement(points, read, CARRIER, self.title)

    def figures(self, points: pd.DataFrame, results: list[Result]) -> list[Figure]:
        return []

    def figures_record(
        self, points: pd.DataFrame, streams: Mapping[str, pd.DataFrame], results: list[Result]
    ) -> list[Figure]:
        lines, traces = streams.get(LINES.name), streams.get(TRACES.name)
        figures = [] if lines is None else harmonic_figures(self.title, points, lines, self._harmonic_conventions())
        if self.search is not None and traces is not None and lines is not None:
            figures += spurious_figures(self.title, points, traces, lines, self._conventions())
        return figures

    def notes(self) -> dict[str, str]:
        notes = {
            "harmonics": "relative to the carrier as the spectrum analyser reads it at the same drive (dBc), both at the "
            "device's output; each by its own path loss",
            "analyser's own "
            "harmonics": f"every line is read again with {self.check_step_db:g} dB more attenuation: its own harmonic of "
            f"order n falls by (n - 1) x {self.check_step_db:g} dB; what changes by more than {self.check_tolerance_db:g} "
            "dB beyond "
            "noise gives no number",
            "source's own harmonics": "not told from the device's: what the source sends at a harmonic, less the input "
            "path's loss and as the device amplifies it there, is in the number; whether it counts is seen with a low-pass "
            "filter at the device's input, or from the source's data sheet",
        }
        if self.search is not None:
            kept = "carrier" if self.search.leaves_out == "carrier" else "carrier and its harmonics"
            notes["search"] = (
                f"{kept} with {self.search.guard_hz / 1e6:g} MHz to either side left out; each point of a trace is the "
                "highest level of "
                f"its interval; what is above the mask is read again with {self.check_step_db:g} dB more attenuation"
            )
        return notes
