"""The version, where every room can import it."""

__all__ = ["VERSION"]

VERSION = "0.1.0"
