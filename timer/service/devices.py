"""Opening the devices that the configuration names."""

from collections.abc import Callable

from hardware.interface import Pedal, Sounder
from timer.service.config import Config


def open_pedal(config: Config) -> Pedal | None:
    """Return the pedal where the daemon itself reads it, else None; raises HardwareError."""
    if config.pedal.driver != "gpiozero":
        return None
    from hardware.gpio import GpioPedal, make_factory  # noqa: PLC0415 -- a machine without GPIO

    return GpioPedal(
        config.pedal.pin,
        pull=config.pedal.pull,
        # Without a pull of ours it is still a switch to ground.
        active_high=False if config.pedal.pull == "none" else None,
        pin_factory=make_factory(config.gpio.library),
    )


def open_sounder(config: Config, now_ns: Callable[[], int]) -> Sounder | None:
    """Return the sounder, None where there is none; HardwareError where it can't be opened."""
    if config.sounder.driver == "none":
        return None
    if config.sounder.driver == "simulated":
        from hardware.simulated import SimulatedSounder  # noqa: PLC0415

        return SimulatedSounder(now_ns)
    from hardware.gpio import GpioSounder, make_factory  # noqa: PLC0415

    return GpioSounder(config.sounder.pin, pin_factory=make_factory(config.gpio.library))
