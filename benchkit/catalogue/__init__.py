"""
A folder of records at a glance: what each is of, under which conditions, how it ended; without opening them all again.

How the files stack; each imports only from those before it: entry, glance (one file), cache, folder.
"""

from benchkit.catalogue.entry import Entry
from benchkit.catalogue.folder import Wanted, list_folder

__all__ = ["Entry", "Wanted", "list_folder"]
