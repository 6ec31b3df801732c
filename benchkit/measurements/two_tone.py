"""Two-tone intermodulation: tones and products against drive, output intercept points, their distance from P1dB."""

from __future__ import annotations

from collections.abc import Generator, Iterator, Mapping, Sequence
from itertools import pairwise
from typing import TYPE_CHECKING, ClassVar, Literal

from pydantic import Field, field_validator

from benchkit.files.types import Dbm, DbmAxis, Decibels, FileModel, Hertz, HertzAxis
from benchkit.measurements.base import Column, Ladder, MeasurementBlock, Reading, Station, TwoTones
from benchkit.measurements.believable import Ascent
from benchkit.measurements.compression import Compression
from benchkit.measurements.tone_rows import TONES, store_lines
from benchkit.measurements.two_tone_figures import two_tone_figures
from benchkit.measurements.two_tone_results import PARAMETERS, ToneConventions, two_tone_results
from benchkit.quantities.format import format_quantity
from benchkit.results.figure import Figure
from benchkit.results.result import Parameter, Result

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["TwoTone", "TwoToneReport"]


class TwoToneReport(FileModel):
    """Which points count for an intercept point, and what is refused."""

    back_offs_db: tuple[Decibels, ...] = Field(
        alias="back_off", default=(10.0,), min_length=1, description="Points count whose output, both tones together, is so far "
        "below P1dB or further",
    )  # fmt: skip
    back_off_from_dbm: Dbm | None = Field(
        alias="back_off_from",
        default=None,
        description="Output that back-off is counted from; default: P1dB of this record at the same condition and frequency",
    )
    slope_tolerance: float = Field(
        default=0.2, gt=0, lt=1, description="A product whose slope differs from its order by more gives no number [dB/dB]"
    )
    noise_margin_db: Decibels = Field(
        alias="noise_margin", default=10.0, ge=3, description="Points count whose products are so far above the noise"
    )
    check_tolerance_db: Decibels = Field(
        alias="check_tolerance",
        default=0.5,
        gt=0,
        description="Change of a product by the attenuator step, beyond what noise explains, that is still the device's own",
    )

    @field_validator("back_offs_db")
    @classmethod
    def _above_zero(cls, values: tuple[float, ...]) -> tuple[float, ...]:
        if any(not value > 0 for value in values) or len(set(values)) < len(values):
            raise ValueError("back-offs are above 0 dB, each stated once")
        return values


class TwoTone(MeasurementBlock):
    """Two equal tones, ascending together, at each frequency and spacing; the spectrum analyser reads tones and products."""

    kind: Literal["two_tone"]
    frequency_hz: HertzAxis = Field(alias="frequency", description="Middle between the tones")
    spacing_hz: HertzAxis = Field(alias="spacing", description="From the lower to the upper tone")
    drive_dbm: DbmAxis = Field(alias="drive", description="Of each tone, at the device's input, ascending")
    repeats: int = Field(
        default=1,
        ge=1,
        le=100,
        description="How often all frequencies and spacings are gone through at each condition; results are means, their scatter "
        "is in the uncertainty",
    )
    products: tuple[Literal[3, 5], ...] = Field(default=(3,), description="Orders that are read: [3] or [3, 5]")
    resolution_bandwidth_hz: Hertz = Field(alias="resolution_bandwidth", gt=0)
    attenuation_db: Decibels = Field(
        alias="attenuation", ge=0, description="At the spectrum analyser; so much that its own products stay below the device's"
    )
    check_step_db: Decibels | None = Field(
        alias="check_step",
        default=10.0,
        gt=0,
        description="Every line is read again with so much more attenuation: the device's products stay, the analyser's own "
        "fall; null: they are not",
    )
    gain_rise_max: float = Field(
        default=0.25, gt=0, le=3,
        description="Gain that rises by more per dB of drive ends the run: a source or path has jumped [dB/dB]"
    )  # fmt: skip
    gain_min_db: Decibels | None = Field(
        alias="gain_min", default=None, description="Less than this at a ladder's first point ends the run"
    )
    report: TwoToneReport = TwoToneReport()

    needs: ClassVar[frozenset[str]] = frozenset({"tones"})
    streams: ClassVar = (TONES,)
    parameters: ClassVar[tuple[Parameter, ...]] = PARAMETERS
    uses_others: ClassVar[bool] = True
    columns: ClassVar[tuple[Column, ...]] = (
        Column("spacing_hz", "Hz", "from the lower to the upper of two tones; NaN: one carrier"),
        Column("second_level_dbm", "dBm", "level set at the second source (raw)", plane="second source's connector"),
        Column("second_loss_db", "dB", "second input path's loss used", plane="second source's connector to device input"),
    )

    @field_validator("products")
    @classmethod
    def _with_third(cls, orders: tuple[int, ...]) -> tuple[int, ...]:
        if orders not in ((3,), (3, 5)):
            raise ValueError(f"{list(orders)} is not [3] or [3, 5]")
        return orders

    def two_tones(self) -> TwoTones:
        return TwoTones(
            self.frequency_hz, self.spacing_hz, self.drive_dbm, self.products, self.resolution_bandwidth_hz,
            self.attenuation_db, self.check_step_db,
        )  # fmt: skip

    def ladders(self) -> Iterator[Ladder]:
        levels = tuple(self.drive_dbm)
        # Everything before the first comes again: each repeat sets both sources and the analyser anew.
        walk = ((hz, spacing_hz) for _ in range(self.repeats) for spacing_hz in self.spacing_hz for hz in self.frequency_hz)
        for index, (frequency_hz, spacing_hz) in enumerate(walk):
            yield Ladder(index, frequency_hz, levels, spacing_hz)

    def ladder_count(self) -> int:
        return self.repeats * len(self.spacing_hz) * len(self.frequency_hz)

    def point_count(self) -> int:
        return self.ladder_count() * len(self.drive_dbm)

    def stream_rows(self, stream: str) -> int:
        return self.point_count() * self.two_tones().sweeps

    def frequency_span_hz(self) -> tuple[float, float] | None:
        return self.frequency_hz.minimum, self.frequency_hz.maximum

    def drive_span_dbm(self) -> tuple[float, float] | None:
        return self.drive_dbm.minimum, self.drive_dbm.maximum

    def drive_text(self) -> str:
        levels = list(self.drive_dbm)
        steps = {round(high - low, 9) for low, high in pairwise(levels)}
        told = ["per tone"]
        told += [f"in steps of {steps.pop():g} dB"] if len(steps) == 1 else [f"{len(levels)} levels"] if len(levels) > 1 else []
        spacings = [f"{hz / 1e6:g}" for hz in self.spacing_hz]
        # Of a long axis its ends.
        shown = " and ".join(spacings) if len(spacings) < 3 else f"{spacings[0]} to {spacings[-1]}"
        return ", ".join([*told, f"tones {shown} MHz apart"])

    def measure(self, ladder: Ladder, station: Station) -> Generator[Reading, None, str]:
        tones = station.tones(self.two_tones())
        tones.tune(ladder.frequency_hz, ladder.spacing_hz)
        ascent = Ascent(self.title, self.gain_rise_max, self.gain_min_db, "spectrum analyser")
        for level_dbm in ladder.levels_dbm:
            tones.drive(level_dbm)
            reading, lines = tones.read()
            store_lines(station.store, reading, lines)
            yield reading
            # What the analyser read, at its own connector: to the last digit the same is no reading.
            ascent.add({**reading, "output_meter_dbm": lines[0].analyser_dbm})
        tones.rest()
        return ""

    def doubts(self, others: Sequence[MeasurementBlock]) -> Iterator[str]:
        if self.report.back_off_from_dbm is not None:
            return
        compressed = {hz for other in others if isinstance(other, Compression) for hz in other.frequency_hz}
        missing = [format_quantity(hz, "Hz", 9) for hz in self.frequency_hz if hz not in compressed]
        if missing:
            more = " and more" if len(missing) > 3 else ""
            yield (
                f"no intercept point at {', '.join(missing[:3])}{more}: back-off is counted from P1dB, and no "
                "measurement of kind compression is made there; make one, or state report: back_off_from"
            )

    def _conventions(self) -> ToneConventions:
        report = self.report
        return ToneConventions(
            orders=self.products,
            attenuation_db=self.attenuation_db,
            check_step_db=self.check_step_db,
            back_offs_db=report.back_offs_db,
            back_off_from_dbm=report.back_off_from_dbm,
            slope_tolerance=report.slope_tolerance,
            noise_margin_db=report.noise_margin_db,
            check_tolerance_db=report.check_tolerance_db,
            names_spacing=len(self.spacing_hz) > 1,
            repeats=self.repeats,
        )

    def qualifiers(self, parameter: str) -> tuple[str, ...] | None:
        if parameter not in {one.name for one in self.parameters}:
            return None
        spacings = [f", {hz / 1e6:.6g} MHz spacing" for hz in self.spacing_hz] if len(self.spacing_hz) > 1 else [""]
        return tuple(f"{back_off_db:g} dB back-off{spacing}" for back_off_db in self.report.back_offs_db for spacing in spacings)

    def summarise(self, points: pd.DataFrame) -> list[Result]:
        return []

    def summarise_after(
        self, points: pd.DataFrame, streams: Mapping[str, pd.DataFrame], others: Sequence[Result]
    ) -> list[Result]:
        lines = streams.get(TONES.name)
        return [] if lines is None else two_tone_results(points, lines, others, self._conventions(), self.title)

    def summarise_record(self, points: pd.DataFrame, streams: Mapping[str, pd.DataFrame]) -> list[Result]:
        return self.summarise_after(points, streams, ())

    def figures(self, points: pd.DataFrame, results: list[Result]) -> list[Figure]:
        return []

    def figures_record(self, points: pd.DataFrame, streams: Mapping[str, pd.DataFrame], results: list[Result]) -> list[Figure]:
        lines = streams.get(TONES.name)
        return [] if lines is None else two_tone_figures(self.title, points, lines, results, self._conventions())

    def notes(self) -> dict[str, str]:
        checked = (
            "not checked by an attenuator step"
            if self.check_step_db is None
            else f"checked at every point by {self.check_step_db:g} dB more attenuation"
        )
        return {
            "intercept point": "OIPn = Pf + (Pf - Pn) / (n - 1); Pf: mean of both tones in dB, Pn: mean of both products in mW, "
            "unequal tones corrected by each product's law; per tone, at the device's output; mean over the points in back-off",
            "back-off": "output of both tones together against P1dB of one tone",
            "analyser's own intermodulation": checked,
            "sources' own intermodulation": "not told from the device's: what two sources make of each other's tone through "
            "the combiner passes the device as a signal; isolation between them keeps it small, and a look at the combiner's "
            "output alone shows it",
            "device input, total": "input_dbm is both tones together, 3 dB above drive_set_dbm, which is each",
        }
