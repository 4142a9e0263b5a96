"""Kills, races and refusals of the disk, against every command that writes.

A command runs in a process of its own.  An audit hook counts its calls to the file system from the
moment it begins to write, and strikes at one of them, so that every step of writing is as likely
as another: the process is killed, or something happens as if another program had done it in
between.  Other kills come at a random moment of the whole run.

    python tests/calibration/writing_attacks.py --out tests/calibration/results

writes writing_attacks.md (with command, seed and date).  As root it also runs the commands without
any of root's rights, and on a full disk.
"""

import argparse
import ctypes
import hashlib
import io
import json
import os
import random
import secrets
import shutil
import signal
import stat
import subprocess
import sys
import tempfile
import time
import traceback
import zipfile
from collections import Counter
from contextlib import contextmanager, redirect_stdout
from pathlib import Path

from psdstats_cli.main import main as psdstats
from psdstats_datasets import demo_path

from psdstats.errors import OutputError
from psdstats.files import write_folder_atomically

SEED = 20261129
MANIFEST = ".psdstats-files.json"
DRAFTS = ".*.psdstats-draft"
FILE_CALLS = {
    *("open", "ctypes.dlsym", "fcntl.flock", "shutil.copystat", "shutil.rmtree"),
    *(
        f"os.{name}"
        for name in ("mkdir", "rename", "remove", "rmdir", "link", "scandir", "listdir")
    ),
    *(f"os.{name}" for name in ("chmod", "chown", "utime", "setxattr", "symlink")),
}
SHEET = ["sheet", "--group", "Alder", "--times", "0,12", "--apertures", "63,125,250"]
LINEAR = ["--method", "linear", "--quiet"]
COMMANDS = {
    "report": ["report", "study.csv", *LINEAR, "--out", "TARGET"],
    "sizes": ["sizes", "study.csv", *LINEAR, "--out", "TARGET"],
    "convert": ["convert", "study.csv", "TARGET"],
    "convert to CSV": ["convert", "study.csv", "TARGET.csv"],
    "convert to XLSX": ["convert", "study.csv", "TARGET.xlsx"],
    "sheet": [*SHEET, "--out", "TARGET"],
    "demo": ["demo", "TARGET"],
    "library": ["TARGET"],  # a small folder, written by psdstats.files itself
}
KILLED = (
    *(("report", False, 8), ("report", True, 8), ("sizes", False, 8), ("sizes", True, 16)),
    *(("convert", False, 24), ("convert", True, 32)),
    *(("convert to CSV", False, 24), ("convert to XLSX", False, 24)),
    *(("sheet", False, 32), ("sheet", True, 32), ("demo", False, 48)),
)
"""What is killed, whether it replaces, and how often."""
SIGNALS = (signal.SIGKILL, signal.SIGTERM, signal.SIGKILL, signal.SIGINT)


# ---- the struck process -----------------------------------------------------------------------


def strike_at(number, act, counted):
    """Count the calls to the file system once a draft has been made, and act at one of them.

    For number 0 the count goes to a file instead.
    """
    state = {"count": 0, "busy": False}

    def hook(event, details):
        if event not in FILE_CALLS or state["busy"]:
            return
        if not state["count"] and not any(".psdstats-draft" in str(each) for each in details[:2]):
            return
        state["count"] += 1
        if number in (0, state["count"]):
            state["busy"] = True
            act() if number else counted.write_text(str(state["count"]))
            state["busy"] = False

    sys.addaudithook(hook)


def launch(words, said, prepare):
    """Run a command in a process of its own, forked so that all it imports is there already."""
    sys.stdout.flush()
    pid = os.fork()
    if pid:
        return pid
    code = 99
    try:
        for number, path in ((1, os.devnull), (2, said)):
            os.dup2(os.open(path, os.O_CREAT | os.O_TRUNC | os.O_WRONLY), number)
        signal.signal(signal.SIGINT, signal.default_int_handler)
        prepare()
        sys.argv = ["psdstats", *words]
        code = psdstats() if len(words) > 2 or words[0] == "demo" else library(*words)
        sys.stderr.flush()
    except BaseException:  # what leaves the command is counted as a traceback
        traceback.print_exc()
    os._exit(code)


def library(place, *replace):
    """Write a small folder, with the exit codes of a command."""
    try:
        write_folder_atomically(place, _three_files, replace=bool(replace))
    except OutputError as refusal:
        sys.stderr.write(f"{refusal}\n")
        return 2
    except KeyboardInterrupt:
        return 130
    return 0


def _three_files(folder):
    (folder / "tables").mkdir()
    for name in ("labels.html", "provenance.json", "tables/sizes.csv"):
        (folder / name).write_text(name, encoding="utf-8")


def wait(pid):
    """Wait for a process; its exit code, below zero when a signal ended it."""
    return os.waitstatus_to_exitcode(os.waitpid(pid, 0)[1])


def drop_rights():
    """Give up every capability of root: what holds for any other user holds then."""
    header = (ctypes.c_uint32 * 2)(0x20080522, 0)  # linux/capability.h, version 3; this process
    if ctypes.CDLL(None, use_errno=True).capset(header, (ctypes.c_uint32 * 6)()):
        raise OSError(ctypes.get_errno(), "capset")


def _kill(number):
    return lambda _: os.kill(os.getpid(), number)


def _save(path, text, *, in_place):
    """Save as editors do: into the file itself, or beside it and renamed over it."""
    if in_place:
        with path.open("a") as file:
            file.write(text)
    else:
        beside = path.with_name("edited.tmp")
        beside.write_text(text)
        beside.replace(path)


def _add(bench):
    """A file, a link, an empty folder and a file in a folder of its own appear."""
    place = bench.place
    place.mkdir(exist_ok=True)
    (place / "added.txt").write_text("added")
    (place / "added-link").symlink_to("added.txt")
    (place / "added-empty").mkdir()
    (place / "added-folder").mkdir()
    (place / "added-folder" / "deep.txt").write_text("added")


def _appear(bench):
    """A file appears under the very name, unless the command has just put its own there."""
    try:
        with bench.place.open("x") as file:
            file.write("added")
    except FileExistsError:
        pass


def _second(bench):
    """Another psdstats writes the same, while this one waits in the middle of a call."""
    others = launch(bench.words("sheet", bench.replaces), bench.folder / "others.txt", list)
    (bench.folder / "others.code").write_text(str(wait(others)))


ACTIONS = {
    **{number.name: _kill(number) for number in SIGNALS},
    "add": _add,
    "appear": _appear,
    "edit-written": lambda bench: _save(bench.place / "labels.html", "mine", in_place=True),
    "save-written": lambda bench: _save(bench.place / "labels.html", "mine", in_place=False),
    "edit-own": lambda bench: _save(bench.place / "notes.txt", "more", in_place=True),
    "save-own": lambda bench: _save(bench.place / "notes.txt", "notes more", in_place=False),
    "second": _second,
}


# ---- the folder it works in -------------------------------------------------------------------


class Bench:
    """A folder with a small study, in which one command is attacked again and again."""

    def __init__(self, folder, commands):
        self.folder = folder
        rows = (demo_path("one_bench") / "one_bench.csv").read_text()
        head, *below = [line for line in rows.splitlines() if not line.startswith("#")]
        runs = list(dict.fromkeys(row.split(",")[0] for row in below))[:2]
        kept = [row for row in below if row.split(",")[0] in runs]
        (folder / "study.csv").write_text("\n".join([head, *kept]) + "\n")
        self.target = folder / "out"
        self.is_plain = False
        os.chdir(folder)
        for command in commands:  # what it imports need not be imported again
            with redirect_stdout(io.StringIO()):
                assert psdstats(self.words(command, False)) == 0
            self.clear()

    def words(self, command, replace):
        """The words of a command."""
        words = [word.replace("TARGET", str(self.target)) for word in COMMANDS[command]]
        return [*words, *(["--replace"] if replace else [])]

    def start(self, command, *, number=-1, action=None, replace=False, umask=None):
        """Start a command, to be struck at that call (0: count them, -1: leave it alone)."""
        words = self.words(command, replace)
        self.place = Path(next(word for word in words if word.startswith(str(self.target))))
        self.replaces = replace
        self.said = self.folder / f"said-{secrets.token_hex(4)}.txt"

        def prepare():
            os.chdir(self.folder)
            if umask is not None:
                os.umask(umask)
            if self.is_plain:
                drop_rights()
            if number >= 0:
                strike_at(number, lambda: ACTIONS[action](self), self.folder / "count")

        return launch(words, self.said, prepare), self.said

    def run(self, command, **options):
        """Run it to its end; its exit code and what it said."""
        return self.end(self.start(command, **options))

    def end(self, started):
        """Wait for a command; its exit code and what it said."""
        pid, said = started
        code = wait(pid)
        text = said.read_text()
        said.unlink()
        return code, text

    def clear(self):
        """Leave nothing but the study."""
        for path in self.folder.iterdir():
            if path.name not in ("study.csv", "count") and not path.name.startswith("kept-"):
                shutil.rmtree(path) if path.is_dir() else path.unlink()

    def measure(self, command, replace):
        """How many calls to the file system the command makes while it writes."""
        self.prepare(command, replace)
        start = time.monotonic()
        code, said = self.run(command, number=0, replace=replace)
        assert code == 0, said
        self.seconds = time.monotonic() - start
        return int((self.folder / "count").read_text())

    def prepare(self, command, replace):
        """What stands there before the attack."""
        self.furnish(command) if replace else self.clear()

    def furnish(self, command):
        """An earlier result in which the user has put things, and which others may not read."""
        self.clear()
        kept = self.folder / f"kept-{command}"
        if not kept.exists():
            code, said = self.run(command)
            assert code == 0, said
            shutil.copytree(self.place, kept)
        self.place = self.target
        shutil.copytree(kept, self.place, dirs_exist_ok=True)
        (self.place / "notes.txt").write_text("notes ")
        (self.place / "notes.txt").chmod(0o600)
        os.utime(self.place / "notes.txt", (1_000_000_000, 1_000_000_000))
        (self.place / "empty").mkdir(mode=0o700)
        (self.place / "link").symlink_to("notes.txt")
        self.place.chmod(0o700)

    def keeps_what_is_the_users(self):
        """Whether all that the user put there is as it was."""
        found, place = (self.place / "notes.txt").stat(), self.place
        return (
            (place / "notes.txt").read_text().startswith("notes ")
            and stat.S_IMODE(found.st_mode) in (0o600, 0o644)  # 644 when it was saved anew
            and stat.S_IMODE((place / "empty").stat().st_mode) == 0o700
            and stat.S_IMODE(place.stat().st_mode) == 0o700
            and (place / "link").readlink() == Path("notes.txt")
        )

    def state(self):
        """What stands at the place: nothing, something whole, or half of something."""
        if not self.place.exists():
            return "nothing"
        if self.place.is_file():
            whole = (
                zipfile.ZipFile(self.place).testzip() is None
                if self.place.suffix == ".xlsx"
                else self.place.read_text().endswith("\n") and self.place.stat().st_size > 500
            )
            return "whole" if whole else "half"
        if not (self.place / MANIFEST).exists():
            return "half"
        listed = json.loads((self.place / MANIFEST).read_text())["files"]
        digests = {
            name: hashlib.sha256((self.place / name).read_bytes()).hexdigest() for name in listed
        }
        return "whole" if digests == listed else "half"

    def drafts(self):
        """How many hidden folders there are."""
        return len(list(self.folder.glob(DRAFTS)))


# ---- kills ------------------------------------------------------------------------------------


def kills(bench, command, replace, strikes):
    """One command, killed at each of these calls of its writing, or (None) at a random moment."""
    count = Counter()
    for number, by in strikes:
        bench.prepare(command, replace)
        if number is None:
            started = bench.start(command, replace=replace)
            time.sleep(random.uniform(0.0, 0.9 * bench.seconds))
            os.kill(started[0], by)
            code, said = bench.end(started)
        else:
            code, said = bench.run(command, number=number, action=by.name, replace=replace)
        count["runs"] += 1
        count["stopped"] += code != 0
        count["of these while writing"] += code != 0 and number is not None
        count["half"] += bench.state() == "half" or (replace and bench.state() != "whole")
        count["user's things touched"] += replace and not bench.keeps_what_is_the_users()
        count["traceback"] += "Traceback" in said
        count["drafts left"] += by != signal.SIGKILL and bench.drafts()
        count["drafts left by SIGKILL"] += by == signal.SIGKILL and bench.drafts()
        _run_again(bench, command, replace, count)
    return count


def random_strikes(calls, number, rng):
    """Three of four at a call of the writing."""
    return [
        (rng.randint(1, calls) if index % 8 < 6 else None, SIGNALS[index % len(SIGNALS)])
        for index in range(number)
    ]


def _run_again(bench, command, replace, count):
    """The next run works, and nothing hidden is left after it."""
    if bench.place.exists() and not replace:  # then it writes beside
        bench.target = bench.folder / "next"
    code, _ = bench.run(command, replace=replace)
    count["next run refused"] += code != 0
    count["drafts after the next run"] += bench.drafts()
    count["half"] += bench.state() != "whole"
    count["user's things touched"] += replace and not bench.keeps_what_is_the_users()
    bench.target = bench.folder / "out"


# ---- races ------------------------------------------------------------------------------------


def races(bench, race, strikes):
    """Things happening at these calls of the writing of one command."""
    command, actions, replace = race
    count = Counter()
    for index, number in enumerate(strikes):
        bench.prepare(command, replace)
        action = actions[index % len(actions)]
        code, said = bench.run(command, number=number, action=action, replace=replace)
        is_there = {
            "add": lambda: all(
                os.path.lexists(bench.place / name)
                for name in ("added.txt", "added-link", "added-empty", "added-folder/deep.txt")
            ),
            "appear": lambda code=code: code == 0 or bench.place.read_text() == "added",
            "edit-written": lambda: "mine" in (bench.place / "labels.html").read_text(),
            "save-written": lambda: (bench.place / "labels.html").read_text() == "mine",
            "edit-own": lambda: (bench.place / "notes.txt").read_text() == "notes more",
            "save-own": lambda: (bench.place / "notes.txt").read_text() == "notes more",
        }[action]
        count["races"] += 1
        count["written"] += code == 0
        count["refused"] += code == 2
        count["lost"] += not is_there()
        count["user's things touched"] += replace and not bench.keeps_what_is_the_users()
        count["half"] += code == 2 and _is_result_beside_a_refusal(bench, replace)
        count["traceback"] += "Traceback" in said or code not in (0, 2)
        count["drafts left"] += bench.drafts() + len(list(bench.folder.glob("*.kept-*")))
    return count


def _is_result_beside_a_refusal(bench, replace):
    """After a refusal the new result does not stand there, or the old one no longer does."""
    return (bench.place / MANIFEST).exists() is not replace


FILE_APPEARS = "a file appears under the new file's name"
RACES = {
    "files appear in the new folder": ("sheet", ("add",), False),
    FILE_APPEARS: ("convert to CSV", ("appear",), False),
    "things are added to a folder being replaced": ("sheet", ("add",), True),
    "a written file is edited": ("sheet", ("edit-written", "save-written"), True),
    "the user's file is edited": ("sheet", ("edit-own", "save-own"), True),
}


def two_writers(bench, number, rng, *, replace):
    """Two processes write the same folder: at once, or one while the other is held in a call."""
    calls = bench.measure("sheet", replace)
    count = Counter()
    for index in range(number):
        bench.prepare("sheet", replace)
        if index % 2:
            code, said = bench.run(
                "sheet", number=rng.randint(1, calls), action="second", replace=replace
            )
            codes = [code, int((bench.folder / "others.code").read_text())]
            said += (bench.folder / "others.txt").read_text()
        else:
            both = [bench.start("sheet", replace=replace) for _ in range(2)]
            codes, texts = zip(*map(bench.end, both), strict=True)
            said = "".join(texts)
        count["races"] += 1
        count["written"] += codes.count(0)
        count["refused"] += codes.count(2)
        count["lost"] += not replace and codes.count(0) != 1
        count["half"] += bench.state() != "whole"
        count["user's things touched"] += replace and not bench.keeps_what_is_the_users()
        count["traceback"] += "Traceback" in said
        count["drafts left"] += bench.drafts() + len(list(bench.folder.glob("*.kept-*")))
    return count


# ---- refusals of the disk ---------------------------------------------------------------------


def refusals(bench):
    """What the disk, or the rights of the user, do not allow: (case, wanted, how often found)."""
    bench.is_plain = True
    for command in ("report", "sizes", "convert", "convert to CSV", "sheet", "demo"):
        bench.clear()
        bench.folder.chmod(0o555)
        yield f"{command} into a read-only folder", _refused(bench, command)
        bench.folder.chmod(0o755)
        bench.target = bench.folder / "full" / "out"
        with _small_disk(bench.target.parent):
            yield f"{command} on a full disk", _refused(bench, command)
            with _read_only(bench.target.parent):
                yield f"{command} on a disk mounted read-only", _refused(bench, command)
        bench.target = bench.folder / "out"
        for umask, rights in ((0o022, 0o755), (0o077, 0o700), (0o002, 0o775)):
            bench.clear()
            code, said = bench.run(command, umask=umask)
            wanted = rights if bench.place.is_dir() else rights & 0o666
            is_so = code == 0 and stat.S_IMODE(bench.place.stat().st_mode) == wanted
            yield f"{command}: rights of new output with umask {umask:03o}", is_so
    for command in ("report", "sizes", "convert", "sheet"):
        bench.furnish(command)
        code, said = bench.run(command, replace=True)
        is_so = code == 0 and bench.keeps_what_is_the_users()
        yield f"{command} --replace keeps mode 700, links, times, empty folders", is_so
        bench.place.chmod(0o555)
        yield f"{command} --replace on a write-protected result", _refused(bench, command, True)
        bench.place.chmod(0o755)
        (bench.place / "empty").chmod(0o555)
        yield f"{command} --replace, a folder in it protected", _refused(bench, command, True)
        (bench.place / "empty").chmod(0o755)
        space = bench.folder / ".out.psdstats-draft"
        space.mkdir()
        os.chown(space, 65534, 65534)
        code, said = bench.run(command, replace=True)
        yield (
            f"{command} beside a draft of another user",
            (code, "somebody else" in said) == (2, True),
        )
        space.rmdir()


def _refused(bench, command, replace=False):
    """Refused in a sentence, with nothing changed and nothing left behind."""
    before = _listing(bench.folder)
    code, said = bench.run(command, replace=replace)
    is_sentence = said.count("\n") == 1 and " cannot be written: " in said
    return code == 2 and is_sentence and _listing(bench.folder) == before


def _listing(folder):
    return {str(path): path.read_bytes() if path.is_file() else b"" for path in folder.rglob("*")}


@contextmanager
def _small_disk(folder):
    folder.mkdir(exist_ok=True)
    subprocess.run(["mount", "-t", "tmpfs", "-o", "size=4k,mode=777", "none", folder], check=True)
    (folder / "filler").write_bytes(bytes(4096))
    try:
        yield
    finally:
        subprocess.run(["umount", folder], check=True)


@contextmanager
def _read_only(folder):
    subprocess.run(["mount", "-o", "remount,ro", folder], check=True)
    yield


# ---- the table --------------------------------------------------------------------------------


def table(counts):
    """A Markdown table of counts, one row a case."""
    names = list(dict.fromkeys(name for count in counts.values() for name in count))
    lines = [f"| case | {' | '.join(names)} |", "|---" * (1 + len(names)) + "|"]
    for case, count in counts.items():
        lines.append(f"| {case} | {' | '.join(str(int(count[name])) for name in names)} |")
    return "\n".join(lines)


def tell(*words):
    """Say how far it is."""
    sys.stderr.write(" ".join(map(str, words)) + "\n")


def every_call(bench, step):
    """The library struck at one call after another, of so many each: kills and races."""
    killed, raced = {}, {}
    for replace in (False, True):
        calls = range(1, 1 + bench.measure("library", replace), step)
        for by in (signal.SIGKILL, signal.SIGINT):
            name = f"library{' --replace' if replace else ''}, {by.name}"
            strikes = [(number, by) for number in calls]
            killed[name] = kills(bench, "library", replace, strikes)
    for kind, (_, actions, replace) in RACES.items():
        if kind != FILE_APPEARS:
            calls = range(1, 1 + bench.measure("library", replace), step)
            raced[kind] = races(bench, ("library", actions, replace), calls)
    return killed, raced


def main():
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--out", type=Path)
    parser.add_argument("--every", type=int, help="the short form: the library, every N-th call")
    parser.add_argument("--races", type=int, default=50, help="of each kind (default 50)")
    parser.add_argument("--seed", type=int, default=SEED)
    options = parser.parse_args()
    rng = random.Random(options.seed)
    random.seed(options.seed)
    start = time.monotonic()
    with tempfile.TemporaryDirectory() as folder:
        Path(folder).chmod(0o755)
        if options.every:
            counts = every_call(Bench(Path(folder), []), options.every)
            sys.stdout.write(json.dumps(counts))
            return
        bench = Bench(Path(folder), [name for name in COMMANDS if name != "library"])
        killed, raced = {}, {}
        for command, replace, number in KILLED:
            name = f"{command}{' --replace' if replace else ''}"
            calls = bench.measure(command, replace)
            strikes = random_strikes(calls, number, rng)
            killed[name] = kills(bench, command, replace, strikes)
            tell(name, dict(killed[name]))
        for kind, race in RACES.items():
            calls = bench.measure(race[0], race[2])
            raced[kind] = races(bench, race, rng.choices(range(1, 1 + calls), k=options.races))
            tell(kind, dict(raced[kind]))
        for replace in (False, True):
            name = f"two writers of one {'folder, --replace' if replace else 'new folder'}"
            raced[name] = two_writers(bench, options.races, rng, replace=replace)
            tell(name, dict(raced[name]))
        checked = []
        for case, is_so in refusals(bench) if os.getuid() == 0 else ():
            checked.append((case, is_so))
            tell(case, is_so)
        bench.is_plain = False
        every = every_call(bench, 1)
    failed = [case for case, is_so in checked if not is_so]
    tell("refusals that fail:", failed)
    killed["all"] = sum(killed.values(), Counter())
    minutes = (time.monotonic() - start) / 60
    text = (
        "# Kills, races and refusals of the disk\n\n"
        "Wanted: nothing in the columns half, lost, touched, traceback, drafts left and drafts "
        "after the next run. Half: a result without all of its files; in a race also a result "
        "beside a refusal. See the script for what each case does.\n\n"
        f"## Kills (SIGKILL twice, SIGTERM, SIGINT in turn)\n\n{table(killed)}\n\n"
        f"## Races, at a random call to the file system during writing\n\n{table(raced)}\n\n"
        f"## The library, struck at every call in turn\n\n{table(every[0])}\n\n"
        f"{table(every[1])}\n\n"
        f"## Refusals and rights, as a user without root's rights\n\n"
        f"{len(checked) - len(failed)} of {len(checked)} hold: "
        f"{'; '.join(case for case, _ in checked)}.{' Failed: ' * bool(failed)}"
        f"{'; '.join(failed)}\n\n"
        f"Command: python tests/calibration/writing_attacks.py --out DIR --races {options.races} "
        f"--seed {options.seed}. {time.strftime('%Y-%m-%d')}, "
        f"{minutes:.0f} min, Python {sys.version.split()[0]}, {sys.platform}.\n"
    )
    (options.out / "writing_attacks.md").write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
