"""One message by one way. Raises whatever goes wrong; the notifier turns it into words."""

from __future__ import annotations

import json
import os
import shlex
import subprocess
import tempfile
from collections.abc import Mapping
from typing import Any

from benchkit.notify.settings import EmailSettings, NotifySettings

__all__ = ["deliver"]

# How much of what a failing command said is passed on.
MOST_SAID = 200


def deliver(target: NotifySettings, message: Mapping[str, Any]) -> None:
    """
    Raises:
        OSError, ValueError, subprocess.SubprocessError, RuntimeError: It did not arrive, as far as can be told.
    """
    text = json.dumps(message)
    if target.command is not None:
        _run(target.command, text, target.timeout_s)
    elif target.webhook is not None:
        _post(target.webhook, text, target.timeout_s)
    elif target.email is not None:
        _mail(target.email, message, target.timeout_s)


def _run(command: str | tuple[str, ...], text: str, timeout_s: float) -> None:
    # Windows' own programs take backslashes in paths; shlex would eat them.
    words = list(command) if isinstance(command, tuple) else shlex.split(command, posix=os.name != "nt")
    # Files and not pipes for what it says: a grandchild that lives on would hold a pipe open, and us with it.
    with tempfile.TemporaryFile() as said:
        done = subprocess.run(words, input=text.encode(), stdout=subprocess.DEVNULL, stderr=said, timeout=timeout_s, check=False)
        if done.returncode != 0:
            said.seek(0)
            last = " ".join(said.read().decode("utf-8", "replace").split())[-MOST_SAID:]
            raise RuntimeError(f"ended with code {done.returncode}{f': {last}' if last else ''}")


def _post(address: str, text: str, timeout_s: float) -> None:
    import urllib.request

    request = urllib.request.Request(address, text.encode(), {"Content-Type": "application/json", "User-Agent": "benchkit"})
    with urllib.request.urlopen(request, timeout=timeout_s) as answer:
        answer.read(1)


def _mail(settings: EmailSettings, message: Mapping[str, Any], timeout_s: float) -> None:
    import smtplib
    import ssl
    from email.message import EmailMessage
    from email.utils import formatdate, make_msgid

    mail = EmailMessage()
    mail["To"], mail["From"] = settings.to, settings.sender
    subject = f"benchkit: {message.get('kind', '')}: {message.get('unit', '')} {message.get('text', '')}"
    mail["Subject"] = " ".join(subject.split())[:150]  # a header is one line
    mail["Date"], mail["Message-ID"] = formatdate(), make_msgid(domain="benchkit.invalid")
    mail.set_content(f"{message.get('text', '')}\n\n{json.dumps(message, indent=2)}\n")
    context = ssl.create_default_context()
    server: smtplib.SMTP
    if settings.encryption == "tls":
        server = smtplib.SMTP_SSL(settings.server, settings.port, timeout=timeout_s, context=context)
    else:
        server = smtplib.SMTP(settings.server, settings.port, timeout=timeout_s)
    with server:
        if settings.encryption == "starttls":
            server.starttls(context=context)
        if settings.user is not None and settings.password_from is not None:
            password = os.environ.get(settings.password_from)
            if password is None:
                raise ValueError(f"the environment has no {settings.password_from}, which is to hold the password")
            server.login(settings.user, password)
        server.send_message(mail)
