"""canlevel as a service under systemd: readiness, status and watchdog, lines for the journal, and an example unit.

Nothing here raises where there is no systemd, or an odd one: a logger does not stop because nobody listens to it.

Sources: sd_notify(3) and sd_watchdog_enabled(3) for the datagrams and variables, sd-daemon(3) for the prefixes of lines,
systemd.exec(5) for JOURNAL_STREAM and the settings of the unit, systemd.syntax(7) and systemd.service(5) for its quoting.
"""

from __future__ import annotations

import contextlib
import os
import socket
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TextIO

from canlevel.errors import QueryError, printable

__all__ = [
    "line_writer",
    "tell_alive",
    "tell_ready",
    "tell_status",
    "tell_stopping",
    "unit_text",
    "watchdog_every_s",
]

# Levels, from the gravest: the prefix of the journal, and what stands before a line for people.
LEVELS = {
    "error": ("<3>", "error: "),
    "warning": ("<4>", "warning: "),
    "info": ("<6>", "note: "),
    "detail": ("<7>", ""),
}
WATCHDOG_S = 120  # merging the parts of a day, or a slow card, may take a while
RESTART_S = 10
ENVIRONMENT, PASSWORD = "/etc/canlevel.env", "CANLEVEL_MQTT_PASSWORD"


def tell_ready() -> None:
    """The logger listens and its store is open."""
    _notify("READY=1")


def tell_status(sentence: str) -> None:
    """One line for `systemctl status`."""
    _notify(f"STATUS={printable(sentence)}")


def tell_alive() -> None:
    """To be told at least every watchdog_every_s()."""
    _notify("WATCHDOG=1")


def tell_stopping() -> None:
    """The logger writes what it has and ends."""
    _notify("STOPPING=1")


def watchdog_every_s() -> float | None:
    """How often the service manager wants a sign of life, half of the time after which it loses patience; None: not at all."""
    try:
        pid, microseconds = os.environ.get("WATCHDOG_PID"), int(os.environ.get("WATCHDOG_USEC", "0"))
        if microseconds <= 0 or (pid is not None and int(pid) != os.getpid()):
            return None
    except ValueError:
        return None
    return microseconds / 2e6


def _notify(message: str) -> None:
    path = os.environ.get("NOTIFY_SOCKET", "")
    if not path.startswith(("/", "@")):
        return
    address = b"\0" + os.fsencode(path[1:]) if path.startswith("@") else os.fsencode(path)
    # A manager that is busy must not hold up the logger: what it cannot take at once is not told.
    with contextlib.suppress(OSError, ValueError), socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as out:
        out.setblocking(False)
        out.sendto(message.encode(), address)


def line_writer(quiet: bool, verbose: bool, stream: TextIO) -> Callable[[str, str], None]:
    """A function (level, sentence) that writes one line to `stream`, standard error as a rule.

    level: error, warning, info or detail. quiet leaves out info, and only verbose shows detail. A line for people says its
    level in words; one for the journal begins with sd-daemon's prefix, by which journalctl sorts and colours. Control
    characters are escaped. Never raises for a stream that takes nothing any more.
    """
    shown = list(LEVELS)[: 4 if verbose else 2 if quiet else 3]
    which = 0 if _is_journal(stream) else 1

    def write(level: str, sentence: str) -> None:
        if level in shown:
            with contextlib.suppress(OSError, ValueError):
                stream.write(f"{LEVELS[level][which]}{printable(sentence)}\n")
                stream.flush()

    return write


def _is_journal(stream: TextIO) -> bool:
    """Whether a stream is the one to the journal that JOURNAL_STREAM names by its device and inode."""
    try:
        status = os.fstat(stream.fileno())
    except (OSError, ValueError, AttributeError):
        return False
    return os.environ.get("JOURNAL_STREAM") == f"{status.st_dev}:{status.st_ino}"


def unit_text(
    sources: Sequence[str],
    *,
    store: Path,
    program: Sequence[str | Path],
    roster: Path | None = None,
    user: str | None = None,
    group: str | None = None,
    publish: str | None = None,
) -> str:
    """A systemd unit that logs live buses into a store.

    program: the words that start canlevel, the first an absolute path. store, roster: made absolute; neither has to exist.
    user: who it runs as. group: one more of their groups, that which may open the adapter. publish: a broker's URL, without a
    password, since anybody may read a unit.
    Raises QueryError where a word has control characters in it, which a unit cannot hold.
    """
    folder = _absolute(store)
    words = [str(word) for word in program] + ["log", *sources, "--store", folder]
    if roster is not None:
        words += ["--roster", _absolute(roster)]
    if publish is not None:
        words += ["--publish", publish]
    for word in [*words, user or "", group or ""]:
        if not word.isprintable():
            raise QueryError(
                f'"{printable(word)}" has control characters in it, which a systemd unit cannot hold',
                next_step="give it another name",
            )
    lines = [
        "# An example: read it, change what does not fit, and keep it as /etc/systemd/system/canlevel.service.",
        "# Before the first start, as root:",
        f"#   mkdir -p {_shell(folder)}" + (f" && chown {_shell(user)} {_shell(folder)}" if user else ""),
        "#   systemctl daemon-reload && systemctl enable --now canlevel",
        "# What it says:  journalctl -u canlevel     How it stands:  systemctl status canlevel",
        "",
        "[Unit]",
        f"Description=Tank levels from {_specifiers(', '.join(sources))}",
        "# Neither the network nor its time is waited for: there may be none. Readings taken before the clock is right are",
        "# moved when it is. An adapter may come later, too; the disk of the store may not.",
        f"RequiresMountsFor={_quoted(folder)}",
        "StartLimitIntervalSec=0",
        "",
        "[Service]",
        "Type=notify",
        # In the program's own path $ stands for itself.
        f"ExecStart={' '.join([_quoted(words[0]), *(_quoted(word, command=True) for word in words[1:])])}",
        *(
            [
                f"# A broker's password stands in a file of root's own, mode 600: {PASSWORD}=...",
                f"EnvironmentFile=-{ENVIRONMENT}",
            ]
            if publish is not None
            else []
        ),
        "# The logger says that it is alive; if it does not for so long, it is started again, as after any other failure.",
        f"WatchdogSec={WATCHDOG_S}",
        "Restart=on-failure",
        f"RestartSec={RESTART_S}",
        "TimeoutStopSec=60",
        f"User={_specifiers(user)}"
        if user
        else "# User= is left out, so that it runs as root; name somebody who may write the store.",
        *([f"SupplementaryGroups={_specifiers(group)}"] if group else []),
        "StandardOutput=journal",
        "StandardError=journal",
        "",
        "# It may write its store and nothing else, and gains no rights. Devices stay as they are, for the adapter; so",
        "# ProtectClock= is left out, which would shut all of them out and forbid even to ask whether the clock is right.",
        "ProtectSystem=strict",
        f"ReadWritePaths={_quoted(folder)}",
        "ProtectHome=read-only",
        *([] if _in_tmp(folder) else ["PrivateTmp=yes"]),
        "NoNewPrivileges=yes",
        "CapabilityBoundingSet=",
        "RestrictAddressFamilies=AF_UNIX AF_CAN AF_INET AF_INET6 AF_NETLINK",
        "RestrictNamespaces=yes",
        "RestrictRealtime=yes",
        "RestrictSUIDSGID=yes",
        "LockPersonality=yes",
        "ProtectControlGroups=yes",
        "ProtectKernelLogs=yes",
        "ProtectKernelModules=yes",
        "ProtectKernelTunables=yes",
        "ProtectHostname=yes",
        "",
        "[Install]",
        "WantedBy=multi-user.target",
    ]
    return "\n".join(lines) + "\n"


def _absolute(path: Path) -> str:
    """A path from the root, without "..", as systemd wants it; links are left as they are."""
    return os.path.abspath(path.expanduser())  # noqa: PTH100  resolve() would follow links


def _in_tmp(folder: str) -> bool:
    return any(Path(folder).is_relative_to(tmp) for tmp in ("/tmp", "/var/tmp"))


def _specifiers(text: str) -> str:
    """Text for a setting: % begins a specifier unless it is doubled; a backslash at the end would take in the next line."""
    doubled = text.replace("%", "%%")
    return doubled + " " if doubled.endswith("\\") else doubled


def _quoted(word: str, *, command: bool = False) -> str:
    """A word for a setting that takes several. In a command $ begins a variable unless it is doubled."""
    text = word.replace("\\", "\\\\").replace('"', '\\"').replace("%", "%%")
    if command:
        text = text.replace("$", "$$")
    plain = word and all(c.isalnum() or c in "/._-+:,=@%$" for c in word)
    return text if plain else f'"{text}"'


def _shell(word: str) -> str:
    import shlex

    return shlex.quote(word)
