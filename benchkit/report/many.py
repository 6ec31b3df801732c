"""Many parts, channels and occasions, and imported data: the part of a page that sets one beside the other."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from benchkit.report.against import AgainstSection, against_section
from benchkit.report.channels import ChannelSection, channel_section
from benchkit.report.drawing import ArrayPool, Drawing
from benchkit.report.imported import read_imported
from benchkit.report.occasions import Occasion, occasions_of
from benchkit.report.options import ReportOptions
from benchkit.report.plots import note_of, style_of
from benchkit.report.population import Population, population_of
from benchkit.report.sheet import known_parameters
from benchkit.report.source import Source

__all__ = ["Many", "many_of"]


@dataclass(frozen=True)
class Many:
    """None or empty: nothing of the kind. `drawings`: of channels first, then of occasions, then of what was imported."""

    population: Population | None = None
    channels: ChannelSection | None = None
    occasions: tuple[Occasion, ...] = ()
    against: AgainstSection | None = None
    drawings: tuple[Drawing, ...] = field(default=())


def many_of(sources: Sequence[Source], options: ReportOptions, pool: ArrayPool) -> Many:
    """
    Raises:
        FileError: Mistakes in an imported file, or it belongs to nothing that was measured.
    """
    parameters, style, note = known_parameters(sources), style_of(sources), note_of(sources)
    against = None
    if options.against:
        files = [read_imported(one, parameters) for one in options.against]
        against = against_section(sources, files, parameters, style, pool, note)
    channels = channel_section(sources, parameters, style, pool, note)
    occasions = tuple(occasions_of(sources, parameters, style, pool, note))
    return Many(
        population_of(sources, options.tolerance),
        channels,
        occasions,
        against,
        (
            *(channels.drawings if channels else ()),
            *(drawing for one in occasions for drawing in one.drawings),
            *(against.drawings if against else ()),
        ),
    )
