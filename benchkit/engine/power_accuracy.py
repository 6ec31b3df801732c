"""What the bench file says of a source and a power meter, and of the match of a channel's paths, for a budget of paths."""

from __future__ import annotations

from benchkit.bench.model import ChannelWiring, PowerMeterSettings, SourceSettings
from benchkit.results.matching import MismatchConvention
from benchkit.results.path_lines import PowerAccuracy

__all__ = ["power_accuracy"]


def power_accuracy(source: SourceSettings, meter: PowerMeterSettings, wiring: ChannelWiring) -> PowerAccuracy:
    """Of one of a channel's sources; None where the file states nothing."""
    stated = [one for one in (wiring.input.mismatch, wiring.output.mismatch) if one is not None]
    # The one that makes more of it, where the two differ.
    convention: MismatchConvention = "largest magnitudes"
    if any(one.convention == "known magnitudes" for one in stated):
        convention = "known magnitudes"
    return PowerAccuracy(
        source_db=source.level_accuracy_db,
        meter_db=meter.accuracy_db,
        source_linearity_db=source.linearity_db,
        source_resolution_db=source.resolution_db,
        meter_linearity_db=meter.linearity_db,
        meter_resolution_db=meter.resolution_db,
        zero_dbm=meter.zero_dbm,
        noise_db=meter.noise_db,
        input_return_loss_db=None if wiring.input.mismatch is None else wiring.input.mismatch.path_return_loss_db,
        output_return_loss_db=None if wiring.output.mismatch is None else wiring.output.mismatch.path_return_loss_db,
        convention=convention,
    )
