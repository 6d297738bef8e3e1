"""The configuration: one TOML file, validated whole, each fault told with its line and field."""

import json
import os
import tomllib
from pathlib import Path
from typing import Annotated, Any, Literal, get_args, get_origin

import msgspec

from timer.clock import to_ns
from timer.control.control import ControlSettings
from timer.errors import FormatError
from timer.foot import PedalTimes
from timer.photo.switching import Switching
from timer.programmes.complaints import Source, shown

DEFAULT_PATH = Path("/etc/treadle/treadle.toml")

# BCM numbers of the 40-pin header.
_Pin = Annotated[int, msgspec.Meta(ge=0, le=27)]
_Seconds = Annotated[float, msgspec.Meta(gt=0, le=3600)]
_Lag = Annotated[float, msgspec.Meta(ge=0, le=10)]


class LampConfig(msgspec.Struct, forbid_unknown_fields=True, frozen=True):
    """The line that switches the enlarger; times in seconds."""

    driver: Literal["chip", "gpiozero", "simulated"] = "chip"
    pin: _Pin = 17
    active_high: bool = True
    chip: str = ""
    longest_s: _Seconds = 900.0
    most_per_hour_s: Annotated[float, msgspec.Meta(ge=0, le=3600)] = 0.0
    sense: Literal["none", "chip", "simulated"] = "none"
    sense_pin: _Pin = 22
    sense_active_high: bool = True
    settle_s: Annotated[float, msgspec.Meta(ge=0, le=5)] = 0.2
    lag_s: _Lag = Switching().lag_seconds
    shortest_s: _Lag = Switching().shortest_seconds


class PedalConfig(msgspec.Struct, forbid_unknown_fields=True, frozen=True):
    """The foot switch; times in seconds."""

    driver: Literal["chip", "gpiozero", "simulated", "none"] = "chip"
    pin: _Pin = 27
    pull: Literal["up", "down", "none"] = "up"
    bounce_s: Annotated[float, msgspec.Meta(ge=0.001, le=0.5)] = 0.05
    long_s: Annotated[float, msgspec.Meta(ge=0.3, le=5)] = 0.8
    very_long_s: Annotated[float, msgspec.Meta(ge=0.6, le=10)] = 2.5
    stuck_s: Annotated[float, msgspec.Meta(ge=3, le=120)] = 15.0
    holds: bool = True


class SounderConfig(msgspec.Struct, forbid_unknown_fields=True, frozen=True):
    """What makes the cues heard."""

    driver: Literal["gpiozero", "simulated", "none"] = "gpiozero"
    pin: _Pin = 18


class GpioConfig(msgspec.Struct, forbid_unknown_fields=True, frozen=True):
    """Through which library gpiozero reaches the pins."""

    library: Literal["lgpio", "rpigpio", "mock"] = "lgpio"


class ViewingConfig(msgspec.Struct, forbid_unknown_fields=True, frozen=True):
    """How long the lamp may be on for viewing, and how long before its end a sound warns."""

    limit_s: _Seconds = 180.0
    warning_s: _Seconds = 15.0


class ServiceConfig(msgspec.Struct, forbid_unknown_fields=True, frozen=True):
    """Where things lie, and how long the keeper trusts a silent daemon."""

    socket: str = "/run/treadle/treadle.sock"
    data: str = "/var/lib/treadle"
    runtime: str = "/run/treadle"
    beats_s: Annotated[float, msgspec.Meta(ge=0.2, le=10)] = 1.0


class Config(msgspec.Struct, forbid_unknown_fields=True, frozen=True):
    """The whole configuration."""

    lamp: LampConfig = LampConfig()
    pedal: PedalConfig = PedalConfig()
    sounder: SounderConfig = SounderConfig()
    gpio: GpioConfig = GpioConfig()
    viewing: ViewingConfig = ViewingConfig()
    service: ServiceConfig = ServiceConfig()

    @property
    def lamp_text(self) -> str:
        """The lamp's text form, from which the keeper opens it."""
        lamp = self.lamp
        if lamp.driver == "simulated":
            return f"simulated:{Path(self.service.runtime) / 'lamp.line'}"
        level = "high" if lamp.active_high else "low"
        by = lamp.chip if lamp.driver == "chip" else self.gpio.library
        return f"{lamp.driver}:{lamp.pin}:{level}:{by}"

    @property
    def pins(self) -> list[tuple[str, tuple[str, str], int]]:
        """The pins that are in use: what for, the table and key that say so, and the number."""
        all_of_them = (
            ("lamp", ("lamp", "pin"), self.lamp.driver, self.lamp.pin),
            ("sense contact", ("lamp", "sense_pin"), self.lamp.sense, self.lamp.sense_pin),
            ("pedal", ("pedal", "pin"), self.pedal.driver, self.pedal.pin),
            ("sounder", ("sounder", "pin"), self.sounder.driver, self.sounder.pin),
        )
        return [
            (name, key, pin)
            for name, key, driver, pin in all_of_them
            if driver not in ("simulated", "none")
        ]

    @property
    def pedal_text(self) -> str:
        """The pedal's text form, from which the keeper opens it; empty where it does not."""
        pedal = self.pedal
        if pedal.driver == "simulated":
            return f"simulated:{Path(self.service.runtime) / 'pedal.line'}"
        if pedal.driver == "chip":
            return f"chip:{pedal.pin}:{pedal.pull}:{self.lamp.chip}"
        return ""

    @property
    def sense_text(self) -> str:
        """The sense contact's text form for the keeper; empty where there is none."""
        lamp = self.lamp
        if lamp.sense == "simulated":
            return f"simulated:{Path(self.service.runtime) / 'lamp.line'}"
        level = "high" if lamp.sense_active_high else "low"
        return f"chip:{lamp.sense_pin}:{level}:{lamp.chip}" if lamp.sense == "chip" else ""

    def control_at(self, rate: int) -> ControlSettings:
        """Return the settings of the state machine for a clock that runs at ``rate``."""
        pedal = self.pedal
        # How late is too late is a matter of the machine's own time.
        late_ns = PedalTimes().late_ns * rate
        return ControlSettings(
            viewing_limit_ns=to_ns(self.viewing.limit_s),
            viewing_warning_ns=to_ns(self.viewing.warning_s),
            pedal_holds=pedal.holds,
            pedal_times=PedalTimes(
                bounce_ns=to_ns(pedal.bounce_s),
                long_ns=to_ns(pedal.long_s),
                very_long_ns=to_ns(pedal.very_long_s),
                stuck_ns=to_ns(pedal.stuck_s),
                late_ns=late_ns,
            ),
            late_ns=late_ns,
        )

    @property
    def switching(self) -> Switching:
        """What the owner knows of the lamp's lag."""
        return Switching(self.lamp.lag_s, self.lamp.shortest_s)

    @property
    def database(self) -> Path:
        """Where programmes and record are stored."""
        return Path(self.service.data) / "treadle.sqlite3"

    @property
    def journal(self) -> Path:
        """Where the keeper notes exposures; lies in memory on a Raspberry Pi."""
        return Path(self.service.runtime) / "keeper.journal"


def config_path(given: str | None) -> Path:
    """Return the path of the configuration: the one given, TREADLE_CONFIG's, or the default."""
    return Path(given or os.environ.get("TREADLE_CONFIG") or DEFAULT_PATH)


def load_config(path: Path) -> Config:
    """Return the configuration in the file at ``path``; FormatError where it is refused."""
    try:
        text = path.read_text(encoding="utf-8")
    except FileNotFoundError:
        raise FormatError(
            f"{path}: there is no configuration; write one with"
            f" 'treadle config example > {path}' and edit it"
        ) from None
    except (OSError, UnicodeDecodeError) as error:
        why = error.strerror if isinstance(error, OSError) else "it is not UTF-8 text"
        raise FormatError(f"{path}: the configuration can't be read ({why})") from None
    return parse_config(text, str(path))


def parse_config(text: str, source: str) -> Config:
    """Return the configuration that ``text`` says; FormatError names ``source``, line and field."""
    origin = Source(source, text)
    try:
        raw = tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError) as error:
        raise origin.complain_of_syntax(str(error)) from None
    origin.check_keys(raw, Config)
    _check_choices(raw, origin)
    try:
        config = msgspec.convert(raw, Config)
    except msgspec.ValidationError as error:
        raise origin.complain_of_shape(str(error), raw, Config) from None
    _check_together(config, origin)
    return config


def _check_choices(raw: dict[str, Any], origin: Source) -> None:
    """Refuse a word that is none of those which a key takes, and tell those."""
    for table in msgspec.structs.fields(Config):
        written = raw.get(table.name)
        if not isinstance(written, dict):
            continue
        for one in msgspec.structs.fields(table.type):
            choices = get_args(one.type) if get_origin(one.type) is Literal else ()
            if one.name in written and choices and written[one.name] not in choices:
                word = shown(repr(written[one.name]))
                told = " or ".join(f'"{choice}"' for choice in choices)
                raise origin.complain(f"{word} is not known; give {told}", (table.name, one.name))


def _check_together(config: Config, origin: Source) -> None:
    """Refuse values that are sound alone and wrong beside each other."""
    taken: dict[int, str] = {}
    for name, key, pin in config.pins:
        if pin in taken:
            raise origin.complain(
                f"pin {pin} is the {taken[pin]}'s already; give each its own", key
            )
        taken[pin] = name
    if config.lamp.sense == "simulated" and config.lamp.driver != "simulated":
        raise origin.complain("only a simulated lamp has a simulated sense", ("lamp", "sense"))
    if config.pedal.very_long_s <= config.pedal.long_s:
        raise origin.complain("it must be longer than pedal.long_s", ("pedal", "very_long_s"))
    if config.pedal.stuck_s <= config.pedal.very_long_s:
        raise origin.complain("it must be longer than pedal.very_long_s", ("pedal", "stuck_s"))
    if config.viewing.limit_s > config.lamp.longest_s:
        raise origin.complain("it can't be longer than lamp.longest_s", ("viewing", "limit_s"))
    if config.viewing.warning_s >= config.viewing.limit_s:
        raise origin.complain("it must be shorter than viewing.limit_s", ("viewing", "warning_s"))


EXAMPLE = """\
# Treadle's configuration. Every key may be left out; these are the defaults.
# Check it with: treadle config check

[lamp]
driver = "chip"       # "chip": the kernel's GPIO chip; "gpiozero"; "simulated"
pin = 17              # BCM number
active_high = true    # false for a switch that is on while its input is low
chip = ""             # such as "/dev/gpiochip0"; empty: the header's chip is looked for
longest_s = 900.0     # no exposure and no viewing is ever longer
most_per_hour_s = 0.0 # the lamp is on no longer in any hour, so that it cools; 0: no limit
sense = "none"        # "chip": a contact or sensor tells whether the lamp burns; "simulated"
sense_pin = 22
sense_active_high = true
settle_s = 0.2        # so long after a switching the sense contact is not asked
lag_s = 0.0565        # light that a pass may lose, in seconds of full light
shortest_s = 0.2      # the switch is trusted from here

[pedal]
driver = "chip"       # "chip": the kernel's GPIO chip; "gpiozero"; "simulated"; "none"
pin = 27
pull = "up"           # a switch to ground
bounce_s = 0.05
long_s = 0.8          # once more; gives up what runs or is held
very_long_s = 2.5     # leave
stuck_s = 15.0        # a fault
holds = true          # a press while exposing holds the pass

[sounder]
driver = "gpiozero"
pin = 18

[gpio]
library = "lgpio"     # "rpigpio" for older boards

[viewing]
limit_s = 180.0
warning_s = 15.0

[service]
socket = "/run/treadle/treadle.sock"
data = "/var/lib/treadle"
runtime = "/run/treadle"
beats_s = 1.0         # the lamp goes off when the daemon has been silent for this long
"""


def simulated_example(folder: Path) -> str:
    """Return a configuration for a machine without GPIO, with all files in ``folder``."""
    where = json.dumps(str(folder))  # a JSON text is a TOML text
    return f"""\
# Treadle on a simulated enlarger: no hardware is needed, and no lamp is switched.

[lamp]
driver = "simulated"

[pedal]
driver = "simulated"    # press it with: treadle pedal

[sounder]
driver = "simulated"

[service]
data = {where}
runtime = {where}
socket = {json.dumps(str(folder / "treadle.sock"))}
"""
