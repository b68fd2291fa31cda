"""Hosts that are this computer; what is simulated is reached on no other."""

from __future__ import annotations

import ipaddress

from records.errors import InputError


def loopback_only(host: str) -> str:
    """Return the host when it is this computer's loopback.

    Raises:
        InputError: ``rig_not_loopback``.
    """
    if host == "localhost":
        return "127.0.0.1"
    try:
        inside = ipaddress.ip_address(host).is_loopback
    except ValueError:
        inside = False
    if not inside:
        raise InputError("rig_not_loopback", where=host or "host", host=host or "''")
    return host
