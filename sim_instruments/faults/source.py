"""Faults of the RF source."""

from __future__ import annotations

import math

from sim_instruments.faults.base import Excuse, Scene, TwinFault, differs, unreachable_excuses
from sim_instruments.instruments.source import SimulatedSource
from sim_instruments.ledger import Abuse

__all__ = ["Deaf", "LevelJump", "LevelRunaway"]

JUMP_DB = 10.0
# Not a setting: starting and ending a measurement.
MEASURES = (b"INIT", b"ABOR", b"*TRG", b"*CLS")
# Gain that is this much more than the device's own cannot be taken for the device's.
VISIBLE_DB = 6.0


class LevelJump(TwinFault):
    """The level is 10 dB above what was set; the source's own level limit still holds, at once."""

    NAME = "level-jump"
    TELLS = "the source's level jumps up by 10 dB, as far as its own level limit lets it"
    PLACES = ("source",)
    NEEDS_STOP = True
    LIMITED = True

    def strike(self, scene: Scene, t: float) -> None:
        source = scene.instrument
        assert isinstance(source, SimulatedSource), "PLACES says so"
        port = scene.world.ports.sources[source.name]

        def act() -> None:
            port.extra_db = JUMP_DB
            port.limiter = (lambda: source.active_limit_dbm) if self.LIMITED else None

        scene.world.alter(t, act)

    def is_visible(self, scene: Scene, instrument: str, t: float) -> bool:
        channel = scene.channel
        if instrument not in channel.meters or not channel.is_connected():
            return False
        now = scene.world.truth.operating(channel.name, t)
        if now.input_dbm == -math.inf:
            return False
        port = scene.world.ports.sources[scene.instrument.name]
        extra_db = port.level_dbm(t) - port.without_fault_dbm(t)
        without = channel.device.respond(
            now.frequency_hz, now.input_dbm - extra_db, now.drain_v, now.gate_v, now.channel_degc
        )
        return differs(10.0 ** ((now.response.output_dbm - without.output_dbm) / 10.0), VISIBLE_DB)


class LevelRunaway(LevelJump):
    """As LevelJump, behind the limiter: the output stage itself has lost its levelling, and no protection is left."""

    NAME = "level-runaway"
    TELLS = "the source's output stage loses its levelling: 10 dB more than set, and its level limit does not act"
    LIMITED = False

    def excuses(self, scene: Scene) -> tuple[Excuse, ...]:
        return (Excuse(Abuse.INPUT_POWER),)


class Deaf(TwinFault):
    """Locked: what would change a setting or an output has no effect; it measures, and answers as if all were well."""

    NAME = "deaf"
    TELLS = "an instrument ignores every setting, and still measures and answers"
    PLACES = ("source", "drain", "gate", "power meter", "chamber", "switch")

    def hears(self, scene: Scene, message: bytes, t: float) -> bytes | None:
        kept = [unit for unit in message.split(b";") if b"?" in unit or any(word in unit.upper() for word in MEASURES)]
        return b";".join(kept) if kept else None

    def excuses(self, scene: Scene) -> tuple[Excuse, ...]:
        return unreachable_excuses(scene)
