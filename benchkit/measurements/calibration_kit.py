"""What a calibration kit's standards may be off by, as a sequence states it: maker's data, or a calibration of the kit."""

from __future__ import annotations

import math

from pydantic import Field

from benchkit.files.types import Decibels, FileModel

__all__ = ["CalibrationKit"]


class CalibrationKit(FileModel):
    """
    Expanded uncertainties, k = 2, against the definitions that the calibration uses. Systematic: no repeat makes them smaller.
    """

    name: str = Field(default="", description="Which kit, such as its serial number; records by one kit share what it is off by")
    reflection_uncertainty: float | None = Field(
        default=None, ge=0, lt=1,
        description="Expanded, k = 2, real or imaginary part, of what short, open and load reflect (TRL: of the line's "
        "impedance, as its reflection in 50 ohm): a directivity of 40 dB is 0.01; left out: not in U",
    )  # fmt: skip
    transmission_uncertainty_db: Decibels | None = Field(
        alias="transmission_uncertainty", default=None, ge=0,
        description="Expanded, k = 2, of what the thru lets through; left out: not in U",
    )  # fmt: skip

    def stated(self) -> dict[str, float]:
        """As results.calibration.Calibration names them; NaN: not stated. [1, dB]"""
        values = {"kit_reflection": self.reflection_uncertainty, "kit_transmission_db": self.transmission_uncertainty_db}
        return {name: math.nan if value is None else value for name, value in values.items()}

    @property
    def missing(self) -> list[str]:
        """Keys that are not stated."""
        values = {
            "reflection_uncertainty": self.reflection_uncertainty,
            "transmission_uncertainty": self.transmission_uncertainty_db,
        }
        return [key for key, value in values.items() if value is None]

    @property
    def in_uncertainty(self) -> str:
        """What is in the uncertainty of what the calibration corrects, and what is not."""
        told = []
        if self.reflection_uncertainty is not None:
            told.append(f"reflections ± {self.reflection_uncertainty:g}")
        if self.transmission_uncertainty_db is not None:
            told.append(f"thru ± {self.transmission_uncertainty_db:g} dB")
        counted = "What the kit is off by is in the uncertainty as the sequence states it (k = 2)"
        stated = f"{counted}: {', '.join(told)}" if told else ""
        if not self.missing:
            return stated
        unstated = "not in the uncertainty, for the sequence does not state it: what the kit is off by"
        unstated += f" (kit: {', '.join(self.missing)}); residuals are repeatability, not accuracy"
        return f"{stated}; {unstated}" if stated else unstated[0].upper() + unstated[1:]
