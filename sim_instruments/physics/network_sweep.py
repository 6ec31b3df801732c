"""What a network analyser sees of one channel: path, device or standard, path; swept at its level, watched for abuse."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from sim_instruments.physics.channel import DEVICE, DeviceChannel, Operating
from sim_instruments.physics.network import cascade, standard
from sim_instruments.physics.watch import Watch

__all__ = ["NetworkSweep", "device_scattering"]

# Where no RF is on, small-signal parameters are told: what the part would show. [dBm]
SMALL_DBM = -90.0


def device_scattering(
    channel: DeviceChannel, point: Operating, frequency_hz: NDArray[np.float64], input_dbm: NDArray[np.float64]
) -> NDArray[np.complex128]:
    """
    S-parameters of one channel as biased, at its pins, shape (n, 2, 2).

    Args:
        point: Its voltages and temperature.
        frequency_hz: Shape (n,). [Hz]
        input_dbm: Level into the input at each, shape (n,): S21 is that of a driven device. [dBm]
    """
    device, (drain_v, gate_v, degc) = channel.device, (point.drain_v, point.gate_v, point.channel_degc)
    forward = np.array(
        [
            device.complex_gain(hz, level_dbm, drain_v=drain_v, gate_v=gate_v, channel_degc=degc)
            for hz, level_dbm in zip(frequency_hz.tolist(), input_dbm.tolist(), strict=True)
        ]
    )
    return channel.match.scattering(frequency_hz, forward, device.quiescent_current_a(drain_v, gate_v, degc), degc)


class NetworkSweep:
    """
    Args:
        watch: Told of every sweep.
    """

    def __init__(self, watch: Watch) -> None:
        self._watch = watch

    def seen(
        self, t: float, channel: DeviceChannel, point: Operating, frequency_hz: NDArray[np.float64]
    ) -> NDArray[np.complex128]:
        """Between the connectors of both ports, shape (n, 2, 2). [s, Hz]"""
        network = channel.network
        assert network is not None
        before, behind = network.input_path.at(frequency_hz), network.output_path.at(frequency_hz)
        if channel.fixture.what != DEVICE:
            fixture = channel.fixture
            inside = standard(fixture.what, frequency_hz, fixture.line_delay_s, fixture.kit)
            return cascade(cascade(before, inside), behind)
        level_dbm = network.port.level_dbm(t)
        is_driven = level_dbm > -math.inf
        losses_db = -20.0 * np.log10(np.abs(before[:, 1, 0]))
        input_dbm = (level_dbm if is_driven else SMALL_DBM) - losses_db
        inside = device_scattering(channel, point, frequency_hz, input_dbm)
        if is_driven:
            self._see(t, channel, point, frequency_hz, input_dbm)
        return cascade(cascade(before, inside), behind)

    def _see(
        self,
        t: float,
        channel: DeviceChannel,
        point: Operating,
        frequency_hz: NDArray[np.float64],
        input_dbm: NDArray[np.float64],
    ) -> None:
        """The sweep's own moments lie between the story's stops: the worst of them are looked at here."""
        network = channel.network
        assert network is not None
        device = channel.device
        gains = np.array([device.small_signal_gain_db(hz) for hz in frequency_hz.tolist()])
        worst = []
        arriving_dbm = -math.inf
        for index in {int(np.argmax(input_dbm)), int(np.argmax(input_dbm + gains))}:
            hz, level_dbm = float(frequency_hz[index]), float(input_dbm[index])
            response = device.respond(hz, level_dbm, point.drain_v, point.gate_v, point.channel_degc)
            worst.append(point._replace(frequency_hz=hz, input_dbm=level_dbm, response=response, tones=None))
            arriving_dbm = max(arriving_dbm, response.output_dbm - network.output_path.path.loss_db(hz))
        losses_db = [network.output_path.path.loss_db(hz) for hz in frequency_hz.tolist()]
        from_port_2_dbm = network.port.level_dbm(t) - min(losses_db)
        self._watch.see_sweep(t, channel.name, worst, from_port_2_dbm, network.name, arriving_dbm)
