"""
What hands connect for the paths that are asked for, with the fewest reconnections, and which path a series tells. Pure.

A thru first, the sensor still at its own place, then at the analyser's cable; then the sensor once at the device's plane, for
both sources; at last at the sources' own connectors, and everything where it was. In this order, because a source is held
against its level setting at its own connector alone: read there last, it proves that its level had not jumped before.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence

from benchkit.measurements.power_before import (
    SENSOR,
    SENSOR_AT_ANALYSER,
    SENSOR_AT_SECOND,
    SENSOR_AT_SOURCE,
    THRU,
    Feed,
    PathRole,
    Step,
    Thing,
)

__all__ = ["AT_CONNECTOR", "AT_PLANE", "BEHIND", "FEEDS", "PLACES", "PLANES", "steps_for", "told_by", "ways"]

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

PLACES: dict[Thing, str] = {
    SENSOR_AT_SOURCE: "the sensor at the source's connector",
    SENSOR_AT_SECOND: "the sensor at the second source's connector",
    SENSOR: "the sensor at the device's plane",
    SENSOR_AT_ANALYSER: "the sensor at the analyser's cable, behind the thru",
    THRU: "the sensor at its own place, behind the thru",
}
"""Where the sensor is, in words."""


def steps_for(paths: Sequence[PathRole], *, against_sensor: bool) -> tuple[Step, ...]:
    """
    Args:
        paths: Asked for.
        against_sensor: Source to device is measured against the same sensor at the source's connector.
    """
    inputs: tuple[PathRole, ...] = ("input", "second input")
    steps = [BEHIND[role] for role in ("output", "analyser") if role in paths]
    # What lies behind the device is measured against the plane, so that the first source is read there in any case but one.
    if set(paths) != {"second input"}:
        steps.append(AT_PLANE["source"])
    if "second input" in paths:
        steps.append(AT_PLANE["second source"])
    return (*steps, *(AT_CONNECTOR[FEEDS[role]] for role in inputs if role in paths and against_sensor))


def told_by(step: Step, read: Collection[Step]) -> tuple[PathRole, ...]:
    """
    The paths whose loss is known once this series is read, first those from the source's side.

    Args:
        read: What has been read, this series among it.
    """
    way: PathRole = "input" if step.feed == "source" else "second input"
    if step == AT_CONNECTOR[step.feed]:
        return (way,)
    if step == AT_PLANE[step.feed]:
        # Against the source's setting, as long as the source's own connector is not read.
        return (way, *(role for role, behind in BEHIND.items() if step.feed == "source" and behind in read))
    return ()


def ways(step: Step) -> tuple[PathRole, ...]:
    """Paths between that source and the sensor."""
    if step == AT_CONNECTOR[step.feed]:
        return ()
    way: PathRole = "input" if step.feed == "source" else "second input"
    return (way, *(role for role, behind in BEHIND.items() if behind == step))
