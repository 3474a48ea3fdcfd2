"""The address of a scheduler: what it must look like, and that nobody listens in or joins in."""

from __future__ import annotations

import ipaddress
import re

from ..errors import UsageError

__all__ = ["check_address"]

ADDRESS = re.compile(r"(?P<protocol>tcp|tls)://(?P<host>\[[0-9a-fA-F:.]+\]|[\w.-]+):(?P<port>\d{1,5})")


def check_address(address: str, tls: tuple[str, str, str] | None, *, trusted: bool) -> None:
    """Refuse an address that cannot be meant, or one on which anybody could run code as this user.

    Parameters
    ----------
    address : str
    tls : tuple of str or None
        Files for tls://.
    trusted : bool
        Whether the user vouches for a network without encryption.

    Raises
    ------
    UsageError
        Saying what to give instead.
    """
    match = ADDRESS.fullmatch(address)
    if match is None or not 0 < int(match["port"]) < 2**16:
        raise UsageError(f"--scheduler {address!r} is not an address; write it like tls://host:8786")
    if match["protocol"] == "tls":
        if tls is None:
            raise UsageError(f"--scheduler {address} needs the files for encryption: --tls CA CERT KEY")
        return
    if tls is not None:
        raise UsageError(f"--tls goes with an address that begins with tls://, not with {address}")
    if not trusted and not _is_here(match["host"]):
        raise UsageError(
            f"--scheduler {address} is not encrypted, and whoever reaches that port runs code with your rights: use "
            "tls:// and --tls, or say --trust-network when everybody on that network may"
        )


def _is_here(host: str) -> bool:
    try:
        return ipaddress.ip_address(host.strip("[]")).is_loopback
    except ValueError:
        return host == "localhost"
