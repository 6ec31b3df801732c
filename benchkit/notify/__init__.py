"""
Telling somebody how a run goes: a command, a webhook or an e-mail, on trouble, when done, or in a quiet hour.

Nothing here may disturb a run: each message goes out on a thread of its own, within a bounded time, and what failed is said
afterwards.

settings (the bench file's `notify:`), deliver (one message by one way), notifier (the threads).
"""

from benchkit.notify.notifier import Notifier, message_of
from benchkit.notify.settings import EmailSettings, NotifySettings, Occasion, command_target

__all__ = ["EmailSettings", "Notifier", "NotifySettings", "Occasion", "command_target", "message_of"]
