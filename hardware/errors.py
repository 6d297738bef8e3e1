"""The errors of devices. A message says which device, what went wrong, and what to do."""


class HardwareError(Exception):
    """Raised when a device can't be opened, or does not do what it was told."""

    exit_code = 8
