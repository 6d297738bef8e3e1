"""``treadle plan``: strips and prints computed without a daemon."""

import argparse
import os
from fractions import Fraction
from pathlib import Path

from timer.errors import PlanError
from timer.photo.prints import Burn, Dodge, Print, PrintPlan
from timer.photo.stops import read_stops
from timer.photo.strips import Strip, StripPlan, Way
from timer.photo.switching import Switching
from timer.service.commands.common import Parsers, add_config, add_parser, number, whole
from timer.service.printing import say, say_json, say_table, warn

_STRIP_EXAMPLES = """\
  treadle plan strip --first 5 --add 5 --patches 4 --way cover
  treadle plan strip --centre 8 --step 1/3 --patches 7
  treadle plan strip --repeat 4 --seconds 5"""
_PRINT_EXAMPLES = """\
  treadle plan print --base 12.5 --dodge face=1/2 --dodge hands=1/4 --burn sky=1 --burn corner=2/3@5
  treadle plan print --base 8 --dodge left=1/2 --dodge right=1/3 --together left,right"""


def add(parsers: Parsers) -> None:
    """Add the commands."""
    plan = parsers.add_parser("plan", help="compute a strip or a print, without a daemon")
    kinds = plan.add_subparsers(dest="kind", required=True, metavar="KIND")
    strip = add_parser(kinds, "strip", "compute a test strip", _STRIP_EXAMPLES)
    add_strip_options(strip)
    _add_switching(strip)
    strip.set_defaults(run=_plan_strip)
    one = add_parser(kinds, "print", "compute a print with dodges and burns", _PRINT_EXAMPLES)
    add_print_options(one)
    _add_switching(one)
    one.set_defaults(run=_plan_print)


def add_strip_options(parser: argparse.ArgumentParser) -> None:
    """Add the options that say which strip."""
    parser.add_argument("--first", metavar="S", help="the first exposure, in seconds")
    parser.add_argument("--centre", metavar="S", help="the centre exposure, in seconds")
    parser.add_argument("--step", metavar="STOPS", help="f-stop strip: 1/12 to 2, such as 1/3")
    parser.add_argument("--add", metavar="S", help="incremental strip: seconds added per patch")
    parser.add_argument("--patches", metavar="N", help="how many patches: 2 to 24")
    parser.add_argument("--repeat", metavar="N", help="plain repeats: the same pass N times")
    parser.add_argument("--seconds", metavar="S", help="the pass that is repeated, in seconds")
    parser.add_argument(
        "--way", default="cover", metavar="WAY", help="cover (default), uncover or separate"
    )


def add_print_options(parser: argparse.ArgumentParser) -> None:
    """Add the options that say which print."""
    parser.add_argument("--base", metavar="S", help="the base exposure, in seconds")
    parser.add_argument("--filter", metavar="NAME", help="the filter of the base")
    parser.add_argument("--dodge", action="append", default=[], metavar="LABEL=STOPS")
    parser.add_argument("--burn", action="append", default=[], metavar="LABEL=STOPS[@FILTER]")
    parser.add_argument(
        "--together",
        action="append",
        default=[],
        metavar="LABEL,LABEL",
        help="dodges that are done at one time",
    )
    parser.add_argument("--count-in", metavar="S", help="seconds to bring a dodging tool in place")


def read_strip(args: argparse.Namespace) -> Strip:
    """Return the strip that the options say; PlanError where they say none."""
    way = _way(args.way)
    if args.repeat is not None or args.seconds is not None:
        if args.repeat is None or args.seconds is None:
            raise PlanError("plain repeats: give both --repeat and --seconds")
        others = (args.first, args.centre, args.step, args.add, args.patches)
        if any(one is not None for one in others):
            raise PlanError("plain repeats: --repeat and --seconds say it all; leave the rest out")
        return Strip(
            whole(args.repeat, "--repeat"),
            way,
            first_seconds=number(args.seconds, "--seconds"),
            repeat=True,
        )
    if args.patches is None:
        raise PlanError("patches: say how many with --patches, from 2 to 24")
    return Strip(
        whole(args.patches, "--patches"),
        way,
        first_seconds=number(args.first, "--first"),
        centre_seconds=number(args.centre, "--centre"),
        step_stops=None if args.step is None else read_stops(args.step, what="step"),
        add_seconds=number(args.add, "--add"),
    )


def read_print(args: argparse.Namespace) -> Print:
    """Return the print that the options say; PlanError where they say none."""
    base = number(args.base, "--base")
    if base is None:
        raise PlanError("base exposure: say it with --base, in seconds")
    groups = {
        label: group for group in args.together for label in group.split(",") if label.strip()
    }
    count_in = number(args.count_in, "--count-in")
    more = {} if count_in is None else {"count_in_seconds": count_in}
    dodges = tuple(
        Dodge(label, stops, together=groups.get(label), **more)
        for label, stops, _ in (_area(text, "dodge") for text in args.dodge)
    )
    if unknown := set(groups) - {d.label for d in dodges}:
        raise PlanError(f"--together: there is no dodge {sorted(unknown)[0]!r}; check its label")
    burns = tuple(
        Burn(label, stops, name)
        for label, stops, name in (_area(text, "burn") for text in args.burn)
    )
    return Print(base, args.filter, dodges, burns)


def strip_as_json(plan: StripPlan) -> dict[str, object]:
    """Return a strip's plan as names and values."""
    return {
        "way": plan.way.value,
        "patches": [
            {"number": p.number, "exposure_s": p.exposure_seconds, "stops": p.stops}
            for p in plan.patches
        ],
        "passes": [
            {"number": p.number, "duration_s": p.duration_seconds, "lights": list(p.lights)}
            for p in plan.passes
        ],
        "warnings": list(plan.warnings),
    }


def print_as_json(plan: PrintPlan) -> dict[str, object]:
    """Return a print's plan as names and values."""
    return {
        "passes": [
            {
                "kind": p.kind,
                "label": p.label,
                "filter": p.filter,
                "duration_s": p.duration_seconds,
                "dodges": [
                    {"label": d.label, "starts_s": d.starts_seconds, "ends_s": d.ends_seconds}
                    for d in p.dodges
                ],
            }
            for p in plan.passes
        ],
        "warnings": list(plan.warnings),
    }


def say_strip(plan: StripPlan) -> None:
    """Print a strip's plan for a person."""
    say(
        f"strip by {plan.way.value}ing" if plan.way is not Way.SEPARATE else "strip of fresh pieces"
    )
    say_table(
        ("patch", "seconds", "stops"),
        ((p.number, f"{p.exposure_seconds:.2f}", f"{p.stops:+.2f}") for p in plan.patches),
    )
    say()
    say_table(
        ("pass", "seconds", "lights patches"),
        (
            (p.number, f"{p.duration_seconds:.2f}", ", ".join(map(str, p.lights)))
            for p in plan.passes
        ),
    )


def say_print(plan: PrintPlan) -> None:
    """Print a print's plan for a person."""
    say_table(
        ("pass", "what", "filter", "seconds"),
        (
            (
                n,
                p.kind if p.label is None else f"burn {p.label}",
                p.filter or plan.passes[0].filter or "-",
                f"{p.duration_seconds:.2f}",
            )
            for n, p in enumerate(plan.passes, start=1)
        ),
    )
    dodges = plan.passes[0].dodges
    if dodges:
        say()
        say_table(
            ("dodge", "from", "to", "seconds"),
            (
                (
                    d.label,
                    f"{d.starts_seconds:.2f}",
                    f"{d.ends_seconds:.2f}",
                    f"{d.ends_seconds - d.starts_seconds:.2f}",
                )
                for d in dodges
            ),
        )


def _plan_strip(args: argparse.Namespace) -> None:
    plan = read_strip(args).plan(_switching(args))
    if args.json:
        say_json(strip_as_json(plan))
        return
    say_strip(plan)
    for warning in plan.warnings:
        warn(warning)


def _plan_print(args: argparse.Namespace) -> None:
    plan = read_print(args).plan(_switching(args))
    if args.json:
        say_json(print_as_json(plan))
        return
    say_print(plan)
    for warning in plan.warnings:
        warn(warning)


def _add_switching(parser: argparse.ArgumentParser) -> None:
    add_config(parser)
    parser.add_argument("--lag", metavar="S", help="light that the lamp may lose in each pass")
    parser.add_argument("--shortest", metavar="S", help="the shortest pass the switch is good for")


def _switching(args: argparse.Namespace) -> Switching:
    usual = usual_switching(args)
    lag, shortest = number(args.lag, "--lag"), number(args.shortest, "--shortest")
    return Switching(
        usual.lag_seconds if lag is None else lag,
        usual.shortest_seconds if shortest is None else shortest,
    )


def usual_switching(args: argparse.Namespace) -> Switching:
    """Return what the configuration says of the lamp, or what is usual where there is none."""
    path = args.config or os.environ.get("TREADLE_CONFIG")
    if path is None:
        return Switching()
    from timer.service.config import load_config  # noqa: PLC0415 -- not for every call

    return load_config(Path(path)).switching


def _way(text: str) -> Way:
    try:
        return Way(text)
    except ValueError:
        ways = ", ".join(Way)
        raise PlanError(f"way: {text[:40]!r} is not a way to make a strip; give {ways}") from None


def _area(text: str, kind: str) -> tuple[str, Fraction, str | None]:
    """Return label, stops and filter of ``LABEL=STOPS[@FILTER]``."""
    label, equals, rest = text.rpartition("=")
    if not equals:
        shown = text if len(text) <= 40 else text[:40] + "…"
        raise PlanError(f"{kind}: {shown!r} has no '='; write it as label=stops, such as sky=1/2")
    stops, at, name = rest.partition("@")
    if at and kind == "dodge":
        raise PlanError(f"dodge {label[:40]!r}: it is inside the base and can't have a filter")
    what = f"{kind} {label[:40]!r}"
    return label, read_stops(stops, what=what), name if at else None
