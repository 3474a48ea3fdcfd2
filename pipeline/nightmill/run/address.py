"""The address of a scheduler: what it must look like, and that nobody listens in or joins in."""

from __future__ import annotations

import ipaddress
import re
import socket

from ..errors import UsageError

__all__ = ["check_address"]

ADDRESS = re.compile(r"(?P<protocol>tcp|tls)://(?P<host>\[[0-9a-fA-F:.]+\]|[\w.-]+):(?P<port>\d{1,5})")


def check_address(address: str, tls: tuple[str, str, str] | None, *, trusted: bool) -> str | None:
    """Refuse an address that cannot be meant, or one on which anybody in the world could run code as this user.

    Parameters
    ----------
    address : str
    tls : tuple of str or None
        Files for tls://.
    trusted : bool
        Whether the user vouches for a network without encryption.

    Returns
    -------
    str or None
        A caution, when the address is on a private network and not encrypted.

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
        return None
    if tls is not None:
        raise UsageError(f"--tls goes with an address that begins with tls://, not with {address}")
    reach = _reach(match["host"])
    if trusted or reach == "here":
        return None
    if reach == "world":
        raise UsageError(
            f"--scheduler {address} is not encrypted, and whoever reaches that port runs code with your rights: use "
            "tls:// and --tls, or say --trust-network when everybody on that network may"
        )

    return (
        f"{address} is not encrypted: whoever reaches that port runs code with your rights. On a network that others "
        "use too, take tls:// and --tls"
    )


def _reach(host: str) -> str:
    """Say who may reach a host: "here" (this machine only), "near" (a private network) or "world"."""
    try:
        found = [ipaddress.ip_address(host.strip("[]"))]
    except ValueError:
        try:
            told = {str(one[4][0]).split("%")[0] for one in socket.getaddrinfo(host, None)}
        except OSError:
            return "near"  # a name that nobody knows: connecting to it says so
        found = [ipaddress.ip_address(one) for one in told]
    if all(one.is_loopback for one in found):
        return "here"
    return "near" if all(one.is_private or one.is_loopback or one.is_link_local for one in found) else "world"
