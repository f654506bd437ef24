"""The serial ports of this computer, and what keeps this user from opening one."""

from __future__ import annotations

import os
import stat
from dataclasses import dataclass
from pathlib import Path
from typing import Final, final

BY_ID: Final = Path("/dev/serial/by-id")
"""Names that stay with an adapter wherever it is plugged in."""


@final
@dataclass(frozen=True, slots=True)
class FoundPort:
    """A serial port.

    Attributes:
        path: its name, the stable one where it has one.
        about: what the system says of the adapter.
        trouble: why this user cannot open it, and what lets them; empty when nothing stands against it.
    """

    path: str
    about: str
    trouble: str


def serial_ports(by_id: Path = BY_ID) -> list[FoundPort]:
    """Return the serial ports of this computer, those with a stable name first.

    Args:
        by_id: folder of the stable names.
    """
    from serial.tools.list_ports import comports  # noqa: PLC0415 - slow to import, and asked for once

    stable = {str(link.resolve()): str(link) for link in sorted(by_id.iterdir())} if by_id.is_dir() else {}
    found = {port.device: port.description or "" for port in comports()} | dict.fromkeys(stable, "")
    ports = [
        FoundPort(stable.get(device, device), _about(device, about, stable), port_trouble(device))
        for device, about in found.items()
    ]
    return sorted(ports, key=lambda port: (not port.path.startswith(str(by_id)), port.path))


def _about(device: str, about: str, stable: dict[str, str]) -> str:
    said = "" if about in {"", "n/a"} else about
    return ", ".join(filter(None, [said, device if device in stable else ""]))


def port_trouble(path: str) -> str:
    """Return why this user cannot open a port, and the command that lets them; empty when they can, or it is a URL."""
    if "://" in path:
        return ""
    try:
        status = Path(path).stat()
    except PermissionError:
        return f"this user may not look into {Path(path).parent}; ask the administrator of this computer"
    except OSError:
        return "there is no such port; is the adapter plugged in?"
    if not stat.S_ISCHR(status.st_mode):
        return "not a serial port; name a device such as /dev/ttyUSB0"
    if os.access(path, os.R_OK | os.W_OK):
        return ""
    return group_advice(status.st_mode, status.st_gid)


def group_advice(mode: int, group_id: int) -> str:
    """Return what lets a user open a port who may not.

    Args:
        mode: the port's permissions.
        group_id: its group.
    """
    group = group_that_may(mode, group_id)
    if not group:
        return "this user may not open it, nor may any group; ask its administrator for a group of the port"
    return (
        f"this user may not open it, but members of group {group} may: "
        f"sudo usermod -aG {group} $USER, then log out and in again"
    )


def group_that_may(mode: int, group_id: int) -> str:
    """Return the group whose members may open a port; empty where none may but root's.

    Args:
        mode: the port's permissions.
        group_id: its group.
    """
    import grp  # noqa: PLC0415 - Unix only

    try:
        group = grp.getgrgid(group_id).gr_name
    except KeyError:
        group = str(group_id)
    both = stat.S_IRGRP | stat.S_IWGRP
    return group if group != "root" and mode & both == both else ""
