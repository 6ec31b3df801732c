"""
The wire, and the only room that imports pyvisa; not before a link is opened, for that takes a quarter of a second.

How it stacks: protocol (what others may ask), message (what may be sent), log, claim (one run to one instrument),
foreign (errors translated), wire and its two kinds (bytes), library (VISA libraries by name), verify and
connection (made and made again), visa (messages).
"""

from benchkit.link.library import Library, open_library
from benchkit.link.log import LinkLog
from benchkit.link.protocol import Link
from benchkit.link.visa import VisaLink

__all__ = ["Library", "Link", "LinkLog", "VisaLink", "open_library"]
