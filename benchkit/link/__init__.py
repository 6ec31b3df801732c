"""
The wire, and the only room that imports pyvisa.

How it stacks: protocol (what others may ask), log, then claim, foreign (errors translated), wire (bytes), visa (messages),
library (VISA libraries by name).
"""

from benchkit.link.log import LinkLog
from benchkit.link.protocol import Link

__all__ = ["Link", "LinkLog"]
