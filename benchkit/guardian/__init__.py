"""
The second process: it makes the bench safe when the run's own process is dead or stuck.

It shares nothing with the run but a pipe. A byte on it is a heartbeat; its end without a goodbye is a death; silence for
longer than stated is a run that is stuck. Then it ends what is left of the run, opens connections of its own, makes the
bench safe in the usual order, and writes what it did beside the record.

spec (what it is told), watch (the run's side), process (the guardian's own side), notices (telling a person afterwards).
"""

from benchkit.guardian.notices import Notice, take_notices
from benchkit.guardian.spec import GuardianSpec
from benchkit.guardian.watch import Guardian

__all__ = ["Guardian", "GuardianSpec", "Notice", "take_notices"]
