"""What the budget of a path leaves out because neither file states it. Pure."""

from __future__ import annotations

from collections.abc import Collection

from benchkit.measurements.power_before import PathRole
from benchkit.results.path_budget import SensorMatch
from benchkit.results.path_lines import PowerAccuracy

__all__ = ["unstated"]


def unstated(
    accuracy: PowerAccuracy, match: SensorMatch, connector_db: float | None, paths: Collection[PathRole], meter: str, *,
    against_sensor: bool,
) -> list[str]:  # fmt: skip
    """Keys of the sequence or the bench file, as they are written there."""
    missing = {
        "measurements: sensor_return_loss": match.sensor_db,
        "measurements: connector": connector_db,
        "wiring: input.mismatch": accuracy.input_return_loss_db,
    }
    if {"output", "analyser"} & set(paths):
        missing["wiring: output.mismatch"] = accuracy.output_return_loss_db
    missing[f"instruments.{meter}.zero"] = accuracy.zero_dbm
    if against_sensor and {"input", "second input"} & set(paths):
        missing["measurements: source_return_loss"] = match.source_db
    if "analyser" in paths:
        missing["measurements: analyser_return_loss"] = match.analyser_cable_db
    return [key for key, value in missing.items() if value is None]
