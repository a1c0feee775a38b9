"""What goes wrong with a serial port, in the words of the trade and with the next step."""

from __future__ import annotations

import errno
import os
import re
import stat
from pathlib import Path

from busprobe.model.device_text import visible
from busprobe.model.errors import LinkError
from busprobe.model.line import LineSettings

_SEE_PORTS = "Plug the adapter in and see 'busprobe ports' for the names of the ports."
# pyserial on Windows gives only the text of the error (source of pyserial 3.5, serialwin32.py).
_WINDOWS_NAMES = {"FileNotFoundError": errno.ENOENT, "PermissionError": errno.EBUSY}


def error_number(error: BaseException) -> int | None:
    """The errno behind an exception, wherever it is hidden.

    `termios.error` is no OSError and holds it as its first argument; pyserial wraps errors in
    exceptions without a number, the original one being the context.
    """
    seen: BaseException | None = error
    while seen is not None:
        number = getattr(seen, "errno", None)
        if isinstance(number, int):
            return number
        if len(seen.args) == 2 and isinstance(seen.args[0], int):
            return seen.args[0]
        seen = seen.__cause__ or seen.__context__
    for name, number in _WINDOWS_NAMES.items():
        if name in str(error):
            return number
    match = re.search(r"\[Errno (\d+)\]", str(error))
    return int(match[1]) if match else None


def _forbidden(port: str, path: str) -> LinkError:
    group, usable = _group_of(path)
    if group and usable:
        return LinkError(
            f"You are not permitted to use {port}: it belongs to the group '{group}'.",
            f"Run 'sudo usermod -aG {group} $USER', then log out and in again.",
        )
    return LinkError(
        f"You are not permitted to use {port}.",
        "Ask whoever looks after this computer for access to its serial ports.",
    )


def _group_of(path: str) -> tuple[str, bool]:
    """Name of the group of a device node ("" if unknown), and whether the group may use it."""
    try:
        import grp  # not on Windows

        node = os.stat(path)  # noqa: PTH116 - Path.stat would follow the same link
        name = grp.getgrgid(node.st_gid).gr_name
    except (ImportError, OSError, KeyError):
        return "", False
    both = stat.S_IRGRP | stat.S_IWGRP
    return name, node.st_mode & both == both


def opening_error(path: str, settings: LineSettings, error: BaseException) -> LinkError:
    """Translate what opening a serial port raised.

    Args:
        path: Name of the port as given to the system.
        settings: The line settings it was opened with.
        error: What was raised.
    """
    port = visible(path)
    number = error_number(error)
    if number in (errno.ENOENT, errno.ENODEV, errno.ENXIO):
        return LinkError(f"There is no serial port {port}.", _SEE_PORTS)
    if number in (errno.EACCES, errno.EPERM):
        return _forbidden(port, path)
    # A second exclusive open fails with EAGAIN (flock) or EBUSY (TIOCEXCL).
    if number in (errno.EBUSY, errno.EAGAIN):
        return LinkError(
            f"Another program is using {port}.",
            "Close the other program, or choose another port from 'busprobe ports'.",
        )
    if number in (errno.ENOTTY, errno.EISDIR) or _is_other_file(path):
        return LinkError(
            f"{port} is not a serial port.", "See 'busprobe ports' for the names of the ports."
        )
    if number == errno.EIO:
        return LinkError(
            f"There is no working serial hardware behind {port}.",
            "Choose another port from 'busprobe ports'; unplug a USB adapter and plug it in again.",
        )
    if number == errno.EINVAL or isinstance(error, ValueError):
        return settings_error(path, settings)
    reason = os.strerror(number) if number else visible(str(error))
    return LinkError(f"{port} could not be opened: {reason}.", _SEE_PORTS)


def _is_other_file(path: str) -> bool:
    if os.name != "posix":
        return False
    node = Path(path)
    return node.exists() and not node.is_char_device()


def settings_error(path: str, settings: LineSettings) -> LinkError:
    """The driver of a port refuses line settings."""
    return LinkError(
        f"{visible(path)} refuses {settings}: its adapter or driver cannot do it.",
        "Use other line settings, or another adapter.",
    )


def losing_error(path: str, error: BaseException) -> LinkError:
    """Translate what reading from or writing to an open serial port raised."""
    port = visible(path)
    if "timeout" in type(error).__name__.lower():
        return LinkError(
            f"{port} takes no more bytes: its adapter has stopped sending.",
            "Unplug the adapter, plug it in again and open the port again.",
        )
    if os.name == "posix" and Path(path).exists() and "returned no data" in str(error):
        return LinkError(
            f"{port} was lost: another program reads it too, or the adapter has lost power.",
            "Close other programs that use the port, check the plug, then open the port again.",
        )
    return LinkError(
        f"{port} was lost: the adapter was unplugged or has failed.",
        "Check the plug and the cable, then open the port again.",
    )
