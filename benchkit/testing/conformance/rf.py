"""Conformance of what carries or reads RF: source, power meter, spectrum and network analyser, switch."""

from __future__ import annotations

import math
from collections.abc import Callable

from benchkit.errors import LimitError, MisuseError
from benchkit.roles import Analyser, NetworkAnalyser, PowerMeter, Source, Switch
from benchkit.testing.conformance.common import (
    check_closing,
    check_errors_are_told,
    check_every_instrument,
    check_limits,
    check_reading_order,
    check_sent_once,
    opened,
    raises,
    require,
)

__all__ = ["check_analyser", "check_network_analyser", "check_power_meter", "check_source", "check_switch"]


def check_source(make: Callable[[], Source]) -> None:
    """
    Every promise of a source: limits, level limit read back, cache, output read back off, make safe, closing.

    RF comes on at the lowest level of the bench file, for a moment.

    Raises:
        AssertionError: A promise is not kept; the message says which.
    """
    with opened(make) as source:
        settings = source.settings
        check_every_instrument(source)
        require(not source.is_output_on(), "after prepare() RF reads off")
        require(math.isnan(source.level_setpoint_dbm), "after prepare() no level is taken for set")

        low, high = settings.level_min_dbm, settings.level_max_dbm
        check_limits(source.set_level, source.name, "level_max", low=None, high=high, step=0.1)
        check_limits(source.set_level, source.name, "level_min", low=low, high=None, step=0.1)
        lowest, highest = settings.frequency_min_hz, settings.frequency_max_hz
        check_limits(source.set_frequency, source.name, "frequency_max", low=None, high=highest, step=1e3)
        check_limits(source.set_frequency, source.name, "frequency_min", low=lowest, high=None, step=1e3)
        check_limits(source.set_level_limit, source.name, "level_max", low=None, high=high, step=0.1)

        check_sent_once(source, lambda: source.set_frequency((lowest + highest) / 2), "a frequency")
        check_sent_once(source, lambda: source.set_level(low), "a level")
        require(source.level_setpoint_dbm == low, "level_setpoint_dbm is what was set")
        check_sent_once(source, lambda: source.set_level_limit(high), "a level limit")
        middle = (low + high) / 2
        source.set_level_limit(middle)
        raises(LimitError, lambda: source.set_level(high), "a level above the level limit set is refused, not clamped")
        source.set_level_limit(high)
        source.set_level(low)
        source.check_errors()
        said = any("level limit" in text for text in source.missing_protections())
        require(said == settings.without_level_limit, "missing_protections() tells of a missing level limit")

        source.output_on()
        source.confirm()
        require(source.is_output_on(), "RF reads on after output_on()")
        source.output_off()
        require(not source.is_output_on(), "RF reads off after output_off()")
        source.output_on()
        source.make_safe()
        require(not source.is_output_on(), "RF reads off after make_safe()")
        check_errors_are_told(source)

        source.output_on()
        check_closing(source, lambda: source.set_level(low), source.output_on, source.is_output_on)
    with opened(make) as again:
        require(not again.is_output_on(), "close() switches RF off")
        again.check_errors()


def check_power_meter(make: Callable[[], PowerMeter]) -> None:
    """
    Every promise of a power meter. RF must be off: the meter is zeroed.

    Raises:
        AssertionError: A promise is not kept; the message says which.
    """
    with opened(make) as meter:
        settings = meter.settings
        check_every_instrument(meter)
        lowest, highest = settings.frequency_min_hz, settings.frequency_max_hz
        check_limits(meter.set_frequency, meter.name, "frequency_max", low=None, high=highest, step=1e3)
        check_limits(meter.set_frequency, meter.name, "frequency_min", low=lowest, high=None, step=1e3)
        check_sent_once(meter, lambda: meter.set_frequency((lowest + highest) / 2), "a frequency")
        check_sent_once(meter, lambda: meter.set_averages(2), "a number of averages")
        for wrong in (0, -1, 1.5, math.nan):
            raises(
                MisuseError,
                lambda wrong=wrong: meter.set_averages(wrong),  # type: ignore[misc]
                f"{wrong:g} averages are refused",
            )
        meter.zero()

        def ready() -> None:
            meter.set_frequency((lowest + highest) / 2)
            meter.set_averages(1)

        check_reading_order(meter, meter.arm, meter.collect, ready)
        meter.arm()
        level_dbm = meter.collect()
        require(math.isnan(level_dbm) or level_dbm <= settings.input_max_dbm, "a reading is a level, or NaN")
        meter.arm()
        raises(MisuseError, lambda: meter.set_averages(3), "a setting is refused while a reading is due")
        meter.make_safe()
        raises(MisuseError, meter.collect, "make_safe() drops a reading that is due")
        check_errors_are_told(meter)
        check_closing(meter, meter.arm, meter.collect, meter.zero, lambda: meter.set_frequency(lowest))


def check_analyser(make: Callable[[], Analyser]) -> None:
    """
    Every promise of an analyser.

    Raises:
        AssertionError: A promise is not kept; the message says which.
    """
    with opened(make) as analyser:
        settings = analyser.settings
        check_every_instrument(analyser)
        lowest, highest = settings.frequency_min_hz, settings.frequency_max_hz
        middle = round((lowest + highest) / 2)
        for set_value in (analyser.set_center, analyser.set_marker):
            check_limits(set_value, analyser.name, "frequency_max", low=None, high=highest, step=1e3)
            check_limits(set_value, analyser.name, "frequency_min", low=lowest, high=None, step=1e3)
        check_limits(analyser.set_span, analyser.name, "frequency_max", low=0.0, high=highest - lowest, step=1.0)
        check_limits(analyser.set_reference_level, analyser.name, "input_max", low=None, high=settings.input_max_dbm, step=0.1)
        raises(LimitError, lambda: analyser.set_attenuation(-1.0), "a negative attenuation is refused")
        highest_db = settings.attenuation_max_db
        if highest_db is not None:
            check_limits(analyser.set_attenuation, analyser.name, "attenuation_max", low=None, high=highest_db, step=1.0)
        raises(LimitError, lambda: analyser.set_resolution_bandwidth(0.0), "a bandwidth of zero is refused")
        raises(MisuseError, lambda: analyser.set_points(1), "a sweep of one point is refused")
        raises(MisuseError, lambda: analyser.set_detector("mean"), "a detector it has not is refused")

        check_sent_once(analyser, lambda: analyser.set_center(middle), "a centre frequency")
        check_sent_once(analyser, lambda: analyser.set_span(1e6), "a span")
        check_sent_once(analyser, lambda: analyser.set_resolution_bandwidth(10e3), "a bandwidth")
        require(analyser.resolution_bandwidth_hz > 0, "resolution_bandwidth_hz is the bandwidth it took")
        check_sent_once(analyser, lambda: analyser.set_attenuation(20.0), "an attenuation")
        check_sent_once(analyser, lambda: analyser.set_points(201), "a number of points")
        for detector in ("peak", "average"):
            check_sent_once(analyser, lambda detector=detector: analyser.set_detector(detector), "a detector")  # type: ignore[misc]
        level = min(0.0, settings.input_max_dbm)
        check_sent_once(analyser, lambda: analyser.set_reference_level(level), "a reference level")
        check_sent_once(analyser, lambda: analyser.set_marker(middle), "a marker")
        require(analyser.setpoint("marker_hz") == middle, "setpoint() is what was set")
        analyser.check_errors()

        check_reading_order(analyser, analyser.arm, analyser.collect, lambda: None)
        analyser.arm()
        level_dbm = analyser.collect()
        require(math.isnan(level_dbm) or level_dbm <= settings.input_max_dbm, "a reading is a level, or NaN")
        _check_lines(analyser, middle)
        _check_sweep(analyser, middle)
        check_errors_are_told(analyser)
        check_closing(analyser, analyser.arm, analyser.collect, analyser.arm_sweep, lambda: analyser.set_center(middle))


def _check_lines(analyser: Analyser, middle_hz: float) -> None:
    """Several lines in one reading, armed and collected in two steps."""
    highest_hz = analyser.settings.frequency_max_hz
    lines = (middle_hz, middle_hz + 1e6, middle_hz - 1e6)

    def ready() -> None:
        analyser.set_span(100e3)
        analyser.set_resolution_bandwidth(10e3)

    check_reading_order(analyser, lambda: analyser.arm_levels(lines), analyser.collect_levels, ready)
    raises(MisuseError, lambda: analyser.arm_levels(()), "no lines at all are refused")
    raises(LimitError, lambda: analyser.arm_levels((middle_hz, highest_hz + 1e3)), "a line beyond the band is refused")
    analyser.arm_levels(lines)
    raises(MisuseError, analyser.collect, "what was armed as lines is not collected as a marker")
    require(len(analyser.collect_levels()) == len(lines), "as many levels as lines are read")
    require(math.isnan(analyser.setpoint("center_hz")), "after lines were read the centre is not taken for set")
    analyser.check_errors()


def _check_sweep(analyser: Analyser, middle_hz: float) -> None:
    """A whole trace, with its frequencies."""

    def ready() -> None:
        analyser.set_center(middle_hz)
        analyser.set_span(10e6)
        analyser.set_resolution_bandwidth(100e3)
        analyser.set_points(101)

    check_reading_order(analyser, analyser.arm_sweep, analyser.collect_sweep, ready)
    analyser.arm_sweep()
    frequencies, levels = analyser.collect_sweep()
    require(frequencies.shape == levels.shape == (101,), "a trace has the points that were set")
    ends_hz = (middle_hz - 5e6, middle_hz + 5e6)
    within = all(abs(end - float(frequencies[at])) <= 10.0 for end, at in zip(ends_hz, (0, -1), strict=True))
    require(within, "a trace goes from one end of the span to the other")
    analyser.check_errors()


def check_network_analyser(make: Callable[[], NetworkAnalyser]) -> None:
    """
    Every promise of a network analyser: limits, level limit read back, raw readings, output read back off, closing.

    RF comes on at the lowest level of the bench file.

    Raises:
        AssertionError: A promise is not kept; the message says which.
    """
    with opened(make) as analyser:
        settings = analyser.settings
        check_every_instrument(analyser)
        require(not analyser.is_output_on(), "after prepare() RF reads off")
        low, high = settings.level_min_dbm, settings.level_max_dbm
        check_limits(analyser.set_level, analyser.name, "level_max", low=None, high=high, step=0.1)
        check_limits(analyser.set_level, analyser.name, "level_min", low=low, high=None, step=0.1)
        check_limits(analyser.set_level_limit, analyser.name, "level_max", low=None, high=high, step=0.1)
        lowest, highest = settings.frequency_min_hz, settings.frequency_max_hz
        middle = round((lowest + highest) / 2)

        def set_first(frequency_hz: float) -> None:
            analyser.set_frequencies([frequency_hz])

        check_limits(set_first, analyser.name, "frequency_max", low=None, high=highest, step=1e3)
        check_limits(set_first, analyser.name, "frequency_min", low=lowest, high=None, step=1e3)
        for wrong in ([], [middle, middle], [middle + 1e6, middle]):
            raises(
                MisuseError,
                lambda wrong=wrong: analyser.set_frequencies(wrong),  # type: ignore[misc]
                "frequencies that do not ascend, or none, are refused",
            )
        raises(MisuseError, lambda: analyser.set_sweep(middle, middle + 1e6, 1), "a sweep of one point is refused")
        too_many = settings.points_max + 1
        raises(MisuseError, lambda: analyser.set_sweep(lowest, highest, too_many), "more points than it has are refused")
        raises(LimitError, lambda: analyser.set_if_bandwidth(0.0), "an IF bandwidth of zero is refused")
        raises(MisuseError, lambda: analyser.set_averages(0), "no averages are refused")

        check_sent_once(analyser, lambda: analyser.set_level(low), "a level")
        check_sent_once(analyser, lambda: analyser.set_level_limit(high), "a level limit")
        analyser.set_level_limit((low + high) / 2)
        raises(LimitError, lambda: analyser.set_level(high), "a level above the level limit set is refused, not clamped")
        analyser.set_level_limit(high)
        said = any("level limit" in text for text in analyser.missing_protections())
        require(said == settings.without_level_limit, "missing_protections() tells of a missing level limit")
        check_sent_once(analyser, lambda: analyser.set_if_bandwidth(1e3), "an IF bandwidth")
        check_sent_once(analyser, lambda: analyser.set_averages(2), "a number of averages")
        uneven = [middle, middle + 1e6, middle + 3e6]
        check_sent_once(analyser, lambda: analyser.set_frequencies(uneven), "a list of frequencies")
        require(analyser.frequencies_hz.tolist() == uneven, "frequencies_hz are what was set")

        analyser.forget_settings()
        analyser.set_frequencies(uneven)
        raises(MisuseError, analyser.arm, "a reading is refused while it is not known whether RF is on")

        def ready() -> None:
            analyser.set_level(low)
            analyser.set_if_bandwidth(1e3)
            analyser.set_averages(1)
            analyser.output_on()

        check_reading_order(analyser, analyser.arm, analyser.collect, ready)
        _check_raw(analyser, middle)
        analyser.confirm()
        analyser.arm()
        analyser.make_safe()
        raises(MisuseError, analyser.collect, "make_safe() drops a reading that is due")
        require(not analyser.is_output_on(), "RF reads off after make_safe()")
        check_errors_are_told(analyser)
        analyser.output_on()
        check_closing(analyser, analyser.arm, analyser.collect, analyser.output_on, lambda: analyser.set_level(low))
    with opened(make) as again:
        require(not again.is_output_on(), "close() switches RF off")
        again.check_errors()


def _check_raw(analyser: NetworkAnalyser, middle_hz: float) -> None:
    """Readings have the shape they should, for a list and for a sweep."""
    for points in (3, 11):
        if points == 3:
            analyser.set_frequencies([middle_hz, middle_hz + 1e6, middle_hz + 3e6])
        else:
            analyser.set_sweep(middle_hz, middle_hz + 10e6, points)
        require(len(analyser.frequencies_hz) == points, "frequencies_hz has as many as were set")
        analyser.arm()
        raw = analyser.collect()
        require(raw.shape == (points, 2, 2), "a reading has one two-by-two matrix for each frequency")
        analyser.check_errors()


def check_switch(make: Callable[[], Switch], positions: tuple[tuple[int, ...], tuple[int, ...]] = ((1,), (2,))) -> None:
    """
    Every promise of a switch. RF must be off.

    Args:
        positions: Two different sets of routes that may be closed.

    Raises:
        AssertionError: A promise is not kept; the message says which.
    """
    first, second = (tuple(sorted(position)) for position in positions)
    with opened(make) as switch:
        check_every_instrument(switch)
        switch.connect(first)
        require(switch.connected() == first, "the routes asked for read back closed")
        before = switch.connected()
        switch.prepare()
        switch.make_safe()
        require(switch.connected() == before, "neither prepare() nor make_safe() moves a contact")
        switch.connect(second)
        require(switch.connected() == second, "the routes before are opened")
        check_sent_once(switch, lambda: switch.connect(first), "a position")
        raises(MisuseError, lambda: switch.connect(()), "no routes at all are refused")
        raises(MisuseError, lambda: switch.connect((-1,)), "a negative route is refused")
        check_errors_are_told(switch)
        check_closing(switch, lambda: switch.connect(first), switch.connected)
