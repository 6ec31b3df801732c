"""RF that hands are relied on to keep from the part: more than it stands without bias, were it still connected."""

from __future__ import annotations

from benchkit.envelope.margins import TOLERANCE, Findings, in_sequence

__all__ = ["warn_of_part"]


def warn_of_part(findings: Findings, title: str, channel: str, worst_dbm: float) -> None:
    """
    Warned of and not refused: a sensor or a calibration needs its level, and the part is asked to be taken off.

    Args:
        worst_dbm: The most that can be at the device's plane. [dBm]
    """
    limit_dbm = findings.sequence.file.limits.rf_unpowered_max_dbm
    if limit_dbm is None or worst_dbm <= limit_dbm + TOLERANCE:
        return
    key = findings.source(in_sequence("limits.rf_unpowered_max"))
    findings.warn(
        f"{title}, channel {channel}: by the path's table {worst_dbm:.2f} dBm can reach the part if it is still connected where "
        f"hands should have taken it off, and without bias it stands {limit_dbm:g} dBm ({key}): make sure that it is off"
    )
