"""
The twin: simulated instruments on one physical model of bench, chamber and device.

How it stacks, each importing only from those before it: ledger, device_file, physics, world (what happens at the
terminals); scpi, instruments (what is said); twin (both together); visa (in process, on a virtual clock), served and
bench_copy (over TCP, in real time), __main__. A bench file reaches it by the VISA library `twin`.
"""

__all__: list[str] = []
