"""Measures how exact the lamp is: ``python -m tests.bench``. See its --help."""

import argparse
import json
import shlex
import shutil
import sys
import tempfile
import time
from pathlib import Path

from tests.bench.conditions import CONDITIONS, FULL, QUICK, Amount, Condition
from tests.bench.deaths import measure_deaths
from tests.bench.footprint import measure_footprint
from tests.bench.loads import ROOT
from tests.bench.picture import picture
from tests.bench.report import condition_text, markdown, rest_text
from tests.bench.results import Results, UnderCondition
from tests.bench.treadle import measure_treadle
from tests.bench.ways import measure_ways

_HELP = """\
Measures, in one run and side by side, how exactly Treadle times the lamp (foot, daemon, keeper and
a simulated line, all as real processes), what four general ways of Python make of the same
exposures, and cyclictest as the floor of the operating system (Debian: apt install rt-tests; left
out where it is missing). Then footprint, deaths of processes, and goals met or not.

Run it from the project's folder on a machine that does nothing else. It is no part of the tests.
The full run takes about half an hour, --quick about five minutes. Nothing in the project is
changed unless --publish is given."""
_EXAMPLES = """\
examples:
  python -m tests.bench --quick
  python -m tests.bench --out measured --publish
  python -m tests.bench --quick --only idle --only 'busy interpreter' --skip deaths"""


def _say(text: str) -> None:
    sys.stdout.write(text + "\n")
    sys.stdout.flush()


def _arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(
        prog="python -m tests.bench",
        description=_HELP,
        epilog="\n  ".join(["conditions:", *(one.name for one in CONDITIONS)]) + "\n\n" + _EXAMPLES,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--quick", action="store_true", help="fewer exposures and tries")
    parser.add_argument(
        "--out",
        type=Path,
        help="the folder for table, picture and raw figures (default: a new one)",
    )
    parser.add_argument(
        "--publish", action="store_true", help="write docs/measured.md and docs/measured.svg, too"
    )
    parser.add_argument(
        "--only",
        action="append",
        choices=[one.name for one in CONDITIONS],
        metavar="CONDITION",
        help="measure this condition alone; may be given several times",
    )
    parser.add_argument(
        "--skip",
        action="append",
        default=[],
        choices=["conditions", "footprint", "deaths"],
        help="leave a part out; may be given several times",
    )
    return parser.parse_args()


def _measure(
    condition: Condition, amount: Amount, memory: Path, disk: Path, number: int
) -> UnderCondition:
    treadle = measure_treadle(condition, amount, memory / f"t{number}", disk / f"t{number}")
    found = UnderCondition(condition, treadle)
    if not condition.only_treadle:
        found.ways, found.ways_floor, found.ways_told = measure_ways(
            condition, amount, memory, disk
        )
    return found


def _run(args: argparse.Namespace, amount: Amount, results: Results) -> None:
    """Measure all that was asked for, and print each condition as soon as it is done."""
    # Line, sockets and journal lie in memory, as below /run on a board; the databases on the disk.
    in_memory = "/dev/shm" if Path("/dev/shm").is_dir() else None
    with (
        tempfile.TemporaryDirectory(prefix="tr-", dir=in_memory) as memory_name,
        tempfile.TemporaryDirectory(prefix="treadle-bench-") as disk_name,
    ):
        memory, disk = Path(memory_name), Path(disk_name)
        wanted = [one for one in CONDITIONS if not args.only or one.name in args.only]
        if "conditions" in args.skip:
            wanted = []
        if "footprint" not in args.skip:
            results.footprint = measure_footprint(
                amount.starts, amount.idle_seconds, memory / "f", disk / "f"
            )
        for number, condition in enumerate(wanted):
            results.conditions.append(_measure(condition, amount, memory, disk, number))
            _say(condition_text(results.conditions[-1]))
        if "deaths" not in args.skip:
            results.deaths = measure_deaths(amount.deaths, memory / "d", disk / "d")


def _write(out: Path, results: Results, amount: Amount) -> None:
    out.mkdir(parents=True, exist_ok=True)
    (out / "measured.md").write_text(markdown(results, amount, "measured.svg"), encoding="utf-8")
    (out / "measured.svg").write_text(picture(results), encoding="utf-8")
    (out / "measured.json").write_text(json.dumps(results.as_json()), encoding="utf-8")


def main() -> int:
    """Run the bench; exit code 0 whatever came out: goals are printed, and judge nothing."""
    args = _arguments()
    amount = QUICK if args.quick else FULL
    out = args.out or Path(tempfile.mkdtemp(prefix="treadle-measured-"))
    results = Results(command=shlex.join(["python", "-m", "tests.bench", *sys.argv[1:]]))
    began = time.monotonic()
    try:
        _run(args, amount, results)
    finally:
        # What was measured before an error or Ctrl-C is kept.
        results.seconds = time.monotonic() - began
        _write(out, results, amount)
    _say(rest_text(results))
    _say(f"written to {out}")
    if args.publish:
        for name in ("measured.md", "measured.svg"):
            shutil.copy(out / name, ROOT / "docs" / name)
        _say(f"published to {ROOT / 'docs'}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
