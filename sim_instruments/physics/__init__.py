"""
The twin's physics: spread and settling at the bottom; the ports (source, supply, paths, switch, chamber); device, detector and
thermal; circuit, which solves supplies and device together; watch, which notices abuse.

One object per port and per channel; a fault acts by changing one of them.
"""
