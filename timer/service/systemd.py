"""Telling systemd how the daemon is (sd_notify(3)): a datagram to the socket that it names."""

import os
import socket


def notify(state: str) -> None:
    """Send ``state``, such as ``READY=1``; does nothing where systemd did not ask for it."""
    address = os.environ.get("NOTIFY_SOCKET")
    if not address:
        return
    # A leading @ stands for a socket in the abstract namespace.
    where = "\0" + address[1:] if address.startswith("@") else address
    try:
        with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC) as one:
            one.sendto(state.encode(), where)
    except OSError:
        # systemd's watchdog acts if this goes on; the lamp does not depend on it.
        return
