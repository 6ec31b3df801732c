"""Who reads the device's output while a channel is read: by itself the power meter, for two tones the spectrum analyser."""

from __future__ import annotations

from typing import Protocol

from benchkit.measurements.base import Reading
from benchkit.roles.analyser import Meanwhile

__all__ = ["Readout", "efficiencies"]


class Readout(Protocol):
    """Takes the power meter's place in ChannelStation.read(): supplies, sensors and walls are looked after in one place."""

    def arm(self) -> None:
        """Start; everything else is armed after it."""
        ...

    def inputs(self) -> Reading:
        """What is known of the drive: columns of the point."""
        ...

    def collect(self, reading: Reading, meanwhile: Meanwhile) -> Reading:
        """
        Take what was started. Drain and gate were held against their limits already.

        Args:
            reading: As far as it got.
            meanwhile: Called while each sweep is under way: drain and gate are looked at.

        Returns:
            Columns of the point, output_dbm and gain_db among them; these are held against the limits next.
        """
        ...


def efficiencies(reading: Reading, input_dbm: float, output_dbm: float) -> Reading:
    """Drain and power-added efficiency where there is DC power. [dBm]"""
    dc_w = reading["drain_voltage_v"] * reading["drain_current_a"]
    if not (dc_w > 0 and output_dbm == output_dbm):
        return {}
    output_w, input_w = 1e-3 * 10 ** (output_dbm / 10), 1e-3 * 10 ** (input_dbm / 10)
    return {"drain_efficiency_percent": 100 * output_w / dc_w, "pae_percent": 100 * (output_w - input_w) / dc_w}
