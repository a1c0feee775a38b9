"""Hosts that were reached before: nobody types an address of a gateway twice."""

from __future__ import annotations

import contextlib
import json
import os
from dataclasses import dataclass
from pathlib import Path

from busprobe.model.errors import InputError
from busprobe.model.line import LinkKind, parse_link

MOST = 12
_LARGEST = 100_000
_KINDS = (LinkKind.TCP, LinkKind.RTU_OVER_TCP, LinkKind.RFC2217)


def default_file() -> Path:
    """Where they are kept unless told otherwise."""
    from platformdirs import user_data_path

    return user_data_path("busprobe", appauthor=False) / "hosts.json"


@dataclass(frozen=True, slots=True)
class KnownHosts:
    """A short list in a file, the newest first.

    It is a convenience: a file that cannot be read or written never stands in the way.
    """

    file: Path

    def listed(self) -> tuple[str, ...]:
        """LINK arguments of the hosts, the one used last first."""
        try:
            if self.file.stat().st_size > _LARGEST:
                return ()
            kept = json.loads(self.file.read_text(encoding="utf-8"))
        except (OSError, ValueError):
            return ()
        if not isinstance(kept, list):
            return ()
        return tuple(dict.fromkeys(one for one in kept if _is_host(one)))[:MOST]

    def remember(self, argument: str) -> None:
        """Put a host that was reached in front; anything else is left out."""
        if not _is_host(argument):
            return
        kept = [argument, *(one for one in self.listed() if one != argument)][:MOST]
        beside = self.file.with_name(f"{self.file.name}.{os.getpid()}.new")
        try:
            self.file.parent.mkdir(parents=True, exist_ok=True)
            beside.write_text(json.dumps(kept, indent=1) + "\n", encoding="utf-8")
            beside.replace(self.file)
        except OSError:
            with contextlib.suppress(OSError):
                beside.unlink(missing_ok=True)


def _is_host(argument: object) -> bool:
    if not isinstance(argument, str):
        return False
    try:
        return parse_link(argument).kind in _KINDS
    except InputError:
        return False
