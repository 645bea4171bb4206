"""Runs damaged cases one after the other, in a process of its own; `tests.fuzz.run` drives it.

Reads one JSON object a line ({"subject": name, "seed": n}, or with "content" in base64 in place of a seed) and answers
with what happened. The names of the subjects that will be asked for stand on the command line.
"""

from __future__ import annotations

import base64
import contextlib
import io
import json
import os
import resource
import shutil
import sys
import tempfile
import time
from pathlib import Path

from geotools import cli
from tests.fuzz.mutate import mutated
from tests.fuzz.subjects import SUBJECTS, Subject
from tests.fuzz.wild_subjects import WILD_SUBJECTS

#: Well above what is allowed, so that a runaway ends in a MemoryError of its own and not in a dead machine.
ADDRESS_SPACE = 6_000_000_000
ALLOWED_EXITS = {0, 2, 3, 4, 5, 6, 7, 8, 9}


def call(arguments: list[str]) -> tuple[int, str]:
    """Exit code and words of the command line, as a user meets them."""
    words = io.StringIO()
    kept = sys.argv
    sys.argv = ["geotools", *arguments]
    code = 0
    with contextlib.redirect_stdout(words), contextlib.redirect_stderr(words):
        try:
            cli.main()
        except SystemExit as end:
            code = end.code if isinstance(end.code, int) else int(end.code is not None)
        except BaseException as problem:
            words.write(f"Traceback reaches the user: {type(problem).__name__}: {problem}")
            code = 1
        finally:
            sys.argv = kept
    return code, words.getvalue()


def queued() -> float:
    """Seconds that this thread stood ready while other work had the processors; 0 where the system does not tell.

    Source: Linux, Documentation/scheduler/sched-stats, the second number of /proc/<pid>/schedstat, in nanoseconds.
    """
    try:
        return int(Path("/proc/thread-self/schedstat").read_text().split()[1]) / 1e9
    except (OSError, IndexError, ValueError):
        return 0.0


def peak_memory_mb() -> int:
    """Most memory that this program has held, MB.

    Not ru_maxrss: there Linux counts what the parent held when it began this program (exec(2) keeps the maximum).
    """
    for line in Path("/proc/self/status").read_text().splitlines():
        if line.startswith("VmHWM:"):
            return int(line.split()[1]) // 1024
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1024


def listing(folder: Path, leave_out: Path) -> dict[str, tuple[int, int]]:
    """Size and time of every file below a folder."""
    found = {}
    for path in sorted(folder.rglob("*")):
        if path.is_file() and leave_out not in path.parents:
            state = path.stat()
            found[str(path.relative_to(folder))] = (state.st_size, state.st_mtime_ns)
    return found


class Bench:
    """Valid sites, made once, and the damaged copies that are run."""

    def __init__(self, root: Path) -> None:
        self.root = root
        self.templates: dict[object, Path] = {}

    def template(self, subject: Subject) -> Path:
        # subjects that begin from one site and one plan share it
        key = subject.make, subject.prepare or subject.commands, not subject.prepare
        if key not in self.templates:
            folder = self.root / "templates" / str(len(self.templates))
            folder.mkdir(parents=True)
            subject.make(folder)
            for command in (*subject.prepare, *(() if subject.prepare else subject.commands)):
                code, words = call(self.fill(command, folder))
                if code:
                    raise RuntimeError(f"{subject.name}: the undamaged site fails: {words}")
            if not subject.prepare:
                shutil.rmtree(folder / "out", ignore_errors=True)
            self.templates[key] = folder
        return self.templates[key]

    @staticmethod
    def fill(command: tuple[str, ...], folder: Path) -> list[str]:
        places = {"SITE": str(folder / "site.toml"), "OUT": str(folder / "out"), "IN": str(folder)}
        return [
            places.get(word, word.replace("IN/", f"{folder}/").replace("OUT/", f"{folder}/out/")) for word in command
        ]

    def run(self, subject: Subject, seed: int | None, content: bytes = b"") -> dict[str, object]:
        """What comes of the subject with its file damaged as the seed says, or, without one, replaced."""
        case = self.root / "case"
        shutil.rmtree(case, ignore_errors=True)
        shutil.copytree(self.template(subject), case / "in")
        folder = case / "in"
        victim = folder / subject.victim
        if seed is None:
            subject.put(victim, content)
        else:
            victim.write_bytes(mutated(victim.read_bytes(), seed, text=subject.text))
        os.chdir(folder)
        before = listing(case, folder / "out")
        faults, codes, longest, clock = [], [], 0.0, 0.0
        for command in subject.commands:
            started, waited = time.perf_counter(), queued()
            code, words = call(self.fill(command, folder))
            took = time.perf_counter() - started
            clock, longest = max(clock, took), max(longest, took - (queued() - waited))
            codes.append(code)
            if code not in ALLOWED_EXITS or "Traceback" in words or "unexpected fault" in words:
                faults.append(f"{command[0]}: exit {code}: {words[-700:]}")
            if code not in (0, 9) and "error" not in words.lower() and "failed" not in words.lower():
                faults.append(f"{command[0]}: exit {code} without a word")
            if code not in (0, 9):
                break
        after = listing(case, folder / "out")
        if before != after:
            faults.append(
                f"files outside the output folder changed: {sorted(set(before.items()) ^ set(after.items()))}"
            )
        left = [p.name for p in (folder / "out").glob(".*") if p.name.startswith((".scratch", ".plan", ".new"))]
        if left:
            faults.append(f"left behind: {left}")
        return {
            "codes": codes,
            "faults": faults,
            "seconds": round(longest, 3),
            "clock": round(clock, 3),
            "memory_mb": peak_memory_mb(),
        }


def main() -> None:
    resource.setrlimit(resource.RLIMIT_AS, (ADDRESS_SPACE, ADDRESS_SPACE))
    subjects = {s.name: s for s in (*SUBJECTS, *WILD_SUBJECTS) if s.name in sys.argv[1:]}
    answers = os.fdopen(os.dup(1), "w")
    quiet = os.open(os.devnull, os.O_WRONLY)
    os.dup2(quiet, 1)
    os.dup2(quiet, 2)
    fast = "/dev/shm" if os.access("/dev/shm", os.W_OK) else None
    with tempfile.TemporaryDirectory(prefix="fuzz-", dir=fast) as root:
        bench = Bench(Path(root).resolve())
        for subject in subjects.values():
            bench.template(subject)
        print(json.dumps("ready"), file=answers, flush=True)
        for asked in sys.stdin:
            case = json.loads(asked)
            content = base64.b64decode(case.get("content", ""))
            print(json.dumps(bench.run(subjects[case["subject"]], case.get("seed"), content)), file=answers, flush=True)
        os.chdir("/")


if __name__ == "__main__":
    main()
