"""
What hands connect for the paths that are asked for, with the fewest reconnections, and which path a series tells. Pure.

Sensor from connector to connector first, the cables of the sources in their places again after each; then once to the device's
plane, for both sources; then a thru, the sensor on its way home at the analyser's cable; at last everything where it was.
"""

from __future__ import annotations

from collections.abc import Sequence

from benchkit.measurements.power_before import (
    SENSOR,
    SENSOR_AT_ANALYSER,
    SENSOR_AT_SECOND,
    SENSOR_AT_SOURCE,
    THRU,
    Feed,
    PathRole,
    Step,
)

__all__ = ["AT_CONNECTOR", "AT_PLANE", "BEHIND", "FEEDS", "PLANES", "steps_for", "told_by"]

FEEDS: dict[PathRole, Feed] = {
    "input": "source",
    "output": "source",
    "second input": "second source",
    "analyser": "source",
}
"""Which source is on."""

PLANES: dict[PathRole, str] = {
    "input": "source connector to device input",
    "output": "device output to power meter",
    "second input": "second source connector to device input",
    "analyser": "device output to analyser connector",
}

AT_CONNECTOR: dict[Feed, Step] = {
    "source": Step(SENSOR_AT_SOURCE, "source"),
    "second source": Step(SENSOR_AT_SECOND, "second source"),
}
AT_PLANE: dict[Feed, Step] = {"source": Step(SENSOR, "source"), "second source": Step(SENSOR, "second source")}
BEHIND: dict[PathRole, Step] = {"analyser": Step(SENSOR_AT_ANALYSER), "output": Step(THRU)}
"""Behind the thru."""


def steps_for(paths: Sequence[PathRole], *, against_sensor: bool) -> tuple[Step, ...]:
    """
    Args:
        paths: Asked for.
        against_sensor: Source to device is measured against the same sensor at the source's connector.
    """
    inputs: tuple[PathRole, ...] = ("input", "second input")
    steps = [AT_CONNECTOR[FEEDS[role]] for role in inputs if role in paths and against_sensor]
    # What lies behind the device is measured against the plane, so that the first source is read there in any case but one.
    if set(paths) != {"second input"}:
        steps.append(AT_PLANE["source"])
    if "second input" in paths:
        steps.append(AT_PLANE["second source"])
    return (*steps, *(step for role, step in BEHIND.items() if role in paths))


def told_by(step: Step) -> PathRole | None:
    """The path whose loss is known once this series is read; None: that of none yet."""
    for role, behind in BEHIND.items():
        if step == behind:
            return role
    if step.what != SENSOR:
        return None
    return "input" if step.feed == "source" else "second input"
