"""Telling somebody: a command, a webhook or an e-mail, on trouble, when done, or in a quiet hour."""

__all__: list[str] = []
