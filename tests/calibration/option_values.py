"""Every option of every command with values that parse: what a tiny trial makes of them.

Each value runs once in a process of its own, forked from one that has loaded everything, with at
most 5 s of computing beyond what the command takes without the option.  Wanted: exit code 0, 1 or
2, no traceback, a refusal in sentences.  Run by hand:

    python -m tests.calibration.option_values [COMMAND ...]
"""

from __future__ import annotations

import argparse
import contextlib
import csv
import io
import os
import resource
import shlex
import signal
import sys
import tempfile
import time
from collections import Counter
from datetime import date
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "cli"))
import test_option_values as parsers

MOST_S = 5.0
MEMORY = 3_000_000_000
APERTURES, TARES = (355, 250, 180, 125, 90, 0), (412.0, 398.0, 391.0, 380.0, 372.0, 310.0)
SHARES = {0: (0.1, 0.2, 0.3, 0.2, 0.1, 0.1), 12: (0.05, 0.1, 0.2, 0.3, 0.2, 0.15)}
SHARES[48] = (0.02, 0.05, 0.13, 0.25, 0.3, 0.25)
WORDS = (
    "no such", "nan", "-", "0", "D50", "group", "milling_time_min", "a:b", "group:group", "=1+1",
    "../../etc", "%s", "{}", "🜨", "'", '"', "a/b", "con", "utf-8", "utf-16", "base64", "rot13",
    "idna", "undefined", "latin-1", "R20/3", "semilog", "ISO 3310-1", "rounding",
    "rounding,aperture", "bash", "drifting", "falling", "last", "linear", "cell", "drift",
    "alder-0-a", "x" * 300,
)  # fmt: skip
FIGURES = (
    "0", "1", "2", "3", "5", "10", "100", "1000", "100000", "1e6", "1e7", "1e9", "1e15", "0.0001",
    "0.001", "0.01", "0.05", "0.1", "0.3", "0.49", "0.5", "0.7", "0.95", "0.99", "0.9999", "1e-6",
    "1e-7", "-1", "-99", "24", "25", "95", "125000", "0,6", "0,1,2,3,4,5,6,7,8,9", "45,90", "1,100",
    "100,5", "0.1,125000", "1,125000", "1,2,3", "150,250,400", "a=150,250,400", "0.1,0.2,0.3",
    "1,1000,125000", "0.2:1000,1000:0.001", "20:2,10:1", "0.01", "10000", "2.5:8", "100:1",
    "0.001:100000", "a=1,2", "ball_ratio=5,10", "a=x", "2026-01-05T08:30", "1970-01-01",
    "2200-12-31T23:59", "tcp://127.0.0.1:9", "localhost:1", "point", "comma", ",", ";",
)  # fmt: skip


def write_study(folder: Path) -> Path:
    """Two groups, three times, two replicates on six pans; invented."""
    place = folder / "study.csv"
    lines = ["run,group,milling_time_min,replicate,sieve,aperture_um,tare_g,gross_g"]
    for group, shift in (("alder", 0.0), ("birch", 0.01)):
        for minutes, shares in SHARES.items():
            for number, label in enumerate("ab"):
                for k, (aperture, tare) in enumerate(zip(APERTURES, TARES, strict=True)):
                    net = 50 * (shares[k] + (k == 4) * shift + (k == 2) * 0.004 * number)
                    name = f"{group} {aperture or 'pan'}"
                    lines.append(
                        f"{group}-{minutes}-{label},{group},{minutes},{label},{name},{aperture},"
                        f"{tare:.2f},{tare + net:.2f}"
                    )
    place.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return place


def words_of(parser: argparse.ArgumentParser, action: argparse.Action | None) -> list[str]:
    """The command with the least it needs, on the study, for a tiny amount of simulation."""
    command = parser.prog.split()[1:]
    beside = action if action and action.option_strings else None
    least = [word.replace("x", "study.csv") if word == "x" else word
             for word in parsers.words_before(parser, beside)]  # fmt: skip
    options = {one for each in parser._actions for one in each.option_strings}
    name = parsers.name_of(action) if action else ""
    if command[0] in ("demo", "convert"):
        least[-1] = "new"
    if command == ["plan", "power"] and name != "--run-percent":
        least.append("--run-percent=2")
    if command == ["collect"]:
        least.append("study.csv")
    if command == ["limit"]:
        least.append("--upper=150" if name != "--upper" else "--lower=1")
    if command == ["sheet"] and action in parser._mutually_exclusive_groups[0]._group_actions:
        least = [word for word in least if "--apertures" not in word]
    if command[0] in ("sizes", "groups", "report") and name not in (
        "--method",
        "--draws",
        "--workers",
    ):
        least.append("--method=linear")
    for flag, value in (
        ("--trials", "100"),
        ("--whole", None),
        ("--resample", None),
        ("--quiet", None),
    ):
        if flag in options and flag != name:
            least.append(flag if value is None else f"{flag}={value}")
    return [*command, *least]


def run(words: list[str], folder: Path, most_s: float) -> tuple[int | str, float, str]:
    """Exit code (or what ended it), seconds of computing, what it said on standard error."""
    os.makedirs(folder, exist_ok=True)
    write_study(folder)
    said = folder / "said"
    child = os.fork()
    if child == 0:
        os.chdir(folder)
        resource.setrlimit(resource.RLIMIT_AS, (MEMORY, MEMORY))
        with open(os.devnull, "w") as nowhere, said.open("w", encoding="utf-8") as err:
            os.dup2(nowhere.fileno(), 1)
            os.dup2(err.fileno(), 2)
            sys.stdout = open(1, "w", encoding="utf-8")  # noqa: SIM115
            sys.stderr = open(2, "w", encoding="utf-8")  # noqa: SIM115
            from psdstats_cli.main import main

            try:
                code = main(words)
            except SystemExit as stop:
                code = stop.code
            except BaseException as fault:
                sys.stderr.write(f"Traceback {fault!r}")
                code = 99
            sys.stdout.flush(), sys.stderr.flush()
        os._exit(code)
    start, ended = time.monotonic(), 0
    while not ended:
        time.sleep(0.01)
        ended, status, used = os.wait4(child, os.WNOHANG)
        spent = used.ru_utime + used.ru_stime if ended else seconds_of(child)
        if not ended and (spent > most_s or time.monotonic() - start > 20 * most_s):
            os.kill(child, signal.SIGKILL)
            os.wait4(child, 0)
            return "too long", spent, said.read_text(encoding="utf-8")
    code = os.waitstatus_to_exitcode(status)
    return code, spent, said.read_text(encoding="utf-8")


def seconds_of(process: int) -> float:
    """Seconds of computing of a process so far (Linux)."""
    fields = Path(f"/proc/{process}/stat").read_text(encoding="utf-8").rpartition(")")[2].split()
    return sum(map(int, fields[11:13])) / os.sysconf("SC_CLK_TCK")


def load_everything(folder: Path) -> None:
    """Load what commands import on use, so that a fork begins at once."""
    from psdstats_cli.main import main

    os.chdir(folder)
    write_study(folder)
    for words in ("sizes study.csv --draws 100", "compare study.csv --resample", "rate study.csv",
                  "groups study.csv --whole --fits --method linear",
                  "report study.csv --out r", "sheet --times 0 --apertures 45,90 --out s",
                  "convert study.csv b.xlsx"):  # fmt: skip
        with contextlib.redirect_stdout(io.StringIO()):
            main(shlex.split(words + " --quiet"))


def main_study(out: Path, wanted: list[str]) -> None:
    """Run the commands wanted (all where none is named); write a row for each, and the table."""
    from psdstats_cli.main import build_parser

    place = out.with_suffix(".csv")
    rows = list(csv.reader(place.open(encoding="utf-8"))) if place.exists() else []
    table = {row[0]: row for row in rows}
    with tempfile.TemporaryDirectory() as folder:
        load_everything(Path(folder))
        for parser in parsers.leaves(build_parser()):
            command = parser.prog.removeprefix("psdstats ")
            if not wanted or command in wanted:
                table[command] = try_command(parser, Path(folder) / command.replace(" ", "-"))
                with place.open("w", encoding="utf-8", newline="") as file:
                    csv.writer(file).writerows(table.values())
                out.write_text(page(table), encoding="utf-8")


def try_command(parser: argparse.ArgumentParser, place: Path) -> list[str]:
    """Command, day, values done, refused by it, faults, the longest beyond it, faults in words."""
    counts: Counter[str] = Counter()
    faults, longest = [], (0.0, "")
    _, base_s, _ = run(words_of(parser, None), place / "base", 60)
    for action in filter(parsers.takes_value, parser._actions):
        for number, value in enumerate(values_for(parser, action)):
            words, name = words_of(parser, action), parsers.name_of(action)
            if action.option_strings:
                words.append(f"{name}={value}")
            else:
                stands = {"study": "study.csv", "target": "new", "shell": "bash"}[name]
                words = [value if word == stands else word for word in words]
            code, spent, said = run(words, place / f"{name}-{number}", base_s + MOST_S)
            longest = max(longest, (spent - base_s, shlex.join(words)[:120]))
            fine = code in (0, 1, 2) and "Traceback" not in said and "Warning" not in said
            is_told = said.startswith("psdstats: ") or parser.prog == "psdstats check"
            if not fine or (code == 2 and not is_told):
                counts["fault"] += 1
                faults.append(f"{shlex.join(words)[:160]}: {code}, {spent:.1f} s, {said[-200:]!r}")
            else:
                counts["refused" if code == 2 else "done"] += 1
    print(parser.prog, dict(counts), longest, *faults, sep="\n  ", flush=True)  # noqa: T201
    found = (counts[one] for one in ("done", "refused", "fault"))
    name, day = parser.prog.removeprefix("psdstats "), date.today().isoformat()
    return [name, day, *map(str, found), f"{longest[0]:.1f}", longest[1], " | ".join(faults)]


def page(table: dict[str, list[str]]) -> str:
    """The table in words."""
    done, refused, faults = (sum(int(row[k]) for row in table.values()) for k in (2, 3, 4))
    lines = [
        "# Values of options that parse, on a tiny invented trial",
        "",
        "`python -m tests.calibration.option_values`, command by command on the day named. Each "
        f"value ran in a process of its own, allowed {MOST_S:g} s of computing beyond the command "
        "without the option and 3 GB. What the parsers refuse is tried in "
        "tests/cli/test_option_values.py.",
        "",
        f"{done + refused + faults} values: {done} done, {refused} refused in a sentence, {faults} "
        "tracebacks, warnings or commands that took too long.",
        "",
        "| command | day | done | refused | faults | longest beyond the command, s | by |",
        "|---|---|---|---|---|---|---|",
        *(f"| {' | '.join(row[:6])} | `{row[6]}` |" for row in table.values()),
    ]
    found = [f"- {row[0]}: {row[7]}" for row in table.values() if row[7]]
    return "\n".join([*lines, *(["", "Faults:", "", *found] if found else [])]) + "\n"


def values_for(parser: argparse.ArgumentParser, action: argparse.Action) -> list[str]:
    """Values that parse: the extremes and some between, fewer where each takes seconds."""
    slow = parser.prog.split()[1] in ("report", "compare", "groups", "rate", "plan")
    if parsers.name_of(action) == "--attained":
        return ["1", "3"]  # seconds a trial: more is said to take minutes, and is not tried
    if parses(parser, action, "a text of any kind"):
        return list(WORDS[:4] if slow else WORDS)
    found = [one for one in dict.fromkeys((*WORDS, *FIGURES)) if parses(parser, action, one)]
    if action.choices is not None or len(found) < 3:
        return found
    found.sort(key=lambda one: [as_number(part) for part in one.split(",")])
    step = -(-len(found) // (2 if slow else 5))
    return list(dict.fromkeys([*found[::step], found[-1]]))


def as_number(text: str) -> float:
    """A number where the text is one, to sort by."""
    try:
        return float(text)
    except ValueError:
        return 0.0


def parses(parser: argparse.ArgumentParser, action: argparse.Action, value: str) -> bool:
    """Whether the parser takes the value."""
    with contextlib.redirect_stderr(io.StringIO()):
        try:
            parsers.parse(parser, action, value)
        except SystemExit:
            return False
    return True


if __name__ == "__main__":
    main_study(Path(__file__).parent / "results" / "option_values.md", sys.argv[1:])
