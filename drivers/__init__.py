"""
Drivers: one small file per role, each in the tree of SCPI-1999.

An instrument that spells some commands otherwise needs no driver of its own: the bench file's `dialect:` respells
entries of a driver's COMMANDS and VALUES. One that answers otherwise overrides a hook in a file like these; its line
in the entry-point group `benchkit.drivers` makes it known.
"""
