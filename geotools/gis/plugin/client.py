"""Runs the geotools command in its own environment and reads its JSON lines. Nothing here needs the GIS."""

import json
import os
import queue
import subprocess
import threading
from html import escape

DROPPED = {
    "PYTHONHOME",
    "PYTHONPATH",
    "PYTHONSTARTUP",
    "GDAL_DATA",
    "GDAL_DRIVER_PATH",
    "PROJ_LIB",
    "PROJ_DATA",
    "LD_LIBRARY_PATH",
    "LD_PRELOAD",
    "VIRTUAL_ENV",
}
DROPPED_PREFIXES = ("QT_", "QGIS_")
# how long a stopped command may take to put its temporary files away before it is killed
GRACE_S = 10.0


class CommandError(Exception):
    """The command ended badly; the text is what the user should read."""


class StoppedError(CommandError):
    """The user stopped the command."""


def clean_environment(environment=None):
    """The environment without what the GIS put there for its own Python, GDAL and PROJ.

    With PROJ_LIB left in, the command's own PROJ finds no EPSG codes; with PYTHONHOME left in, Python does not start.
    """
    kept = {
        name: value
        for name, value in (os.environ if environment is None else environment).items()
        if name not in DROPPED and not name.startswith(DROPPED_PREFIXES)
    }
    kept["PYTHONNOUSERSITE"] = "1"
    kept["PYTHONUTF8"] = "1"
    return kept


def _start(words):
    # without this a console flashes up on Windows; elsewhere the name does not exist and no flag is set
    hidden = getattr(subprocess, "CREATE_NO_WINDOW", 0)
    try:
        return subprocess.Popen(
            words,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.PIPE,
            env=clean_environment(),
            text=True,
            encoding="utf-8",
            errors="replace",
            creationflags=hidden,
        )
    except OSError as problem:
        raise CommandError(
            f"The geotools command cannot be started: {words[0]} ({problem}). Run: geotools gis-plugin install"
        ) from None


def error_text(event):
    """An error event in the one shape that all messages of the command have."""
    parts = [f"{name}: {event[name]}" for name in ("where", "found", "expected", "mend") if event.get(name)]
    return "\n  ".join([str(event.get("error", "unknown error")), *parts])


def catalogue_html(name, rows):
    """A catalogue of the contract as a table: one row an entry, a column for each figure that any of them has."""
    columns = list(dict.fromkeys(column for row in rows for column in row))
    head = "".join(f"<th>{escape(column.replace('_', ' '))}</th>" for column in columns)
    body = ""
    for row in rows:
        texts = [", ".join(map(str, v)) if isinstance(v, list) else str(v) for v in (row.get(c, "") for c in columns)]
        body += "<tr>" + "".join(f"<td>{escape(text)}</td>" for text in texts) + "</tr>"
    title = escape(name.replace("_", " ").capitalize())
    return f"<h4>{title}</h4><table border='1'><tr>{head}</tr>{body}</table>"


def _reader(stream, put, name):
    def read():
        for line in stream:
            put((name, line.rstrip("\n")))
        put((name, None))

    thread = threading.Thread(target=read, daemon=True)
    thread.start()
    return thread


def run(words, on_event, is_cancelled=lambda: False, poll_s=0.1):
    """Run the command; hand each JSON line to ``on_event`` as a dictionary.

    Raises StoppedError when ``is_cancelled`` says so, CommandError with the command's own message on any other bad end.
    """
    process = _start(words)
    lines: queue.Queue = queue.Queue()
    threads = [_reader(process.stdout, lines.put, "out"), _reader(process.stderr, lines.put, "err")]
    heard = _Heard(on_event)
    cancelled = False
    try:
        while heard.open_streams and not cancelled:
            cancelled = is_cancelled()
            try:
                heard.line(*lines.get(timeout=0.0 if cancelled else poll_s))
            except queue.Empty:
                continue
        if not cancelled:
            process.wait()
    finally:
        _end(process)
        for thread in threads:
            thread.join(timeout=1.0)
        process.stdout.close()
        process.stderr.close()
    if cancelled:
        # what the command said as it ended, and what had ended before it heard of it
        while not lines.empty():
            heard.line(*lines.get())
        raise StoppedError(heard.stopped())
    # 9: done and written; that zones stay open, or works fail, stands in the warnings
    if process.returncode not in (0, 9):
        raise CommandError(
            heard.failure_text() or f"geotools ended with exit code {process.returncode}: {heard.last()}"
        )


class _Heard:
    """What the command said so far."""

    def __init__(self, on_event):
        self.on_event = on_event
        self.open_streams, self.errors, self.failure, self.done = 2, [], None, []

    def line(self, name, line):
        """Take in one line; None is the end of a stream."""
        if line is None:
            self.open_streams -= 1
        elif name == "err":
            self.errors.append(line)
        else:
            event = _parse(line)
            if event.get("event") == "step" and event.get("state") == "done":
                self.done.append(str(event.get("step")))
            if event.get("event") == "error":
                self.failure = event
            else:
                self.on_event(event)

    def failure_text(self):
        """The command's own message, None where it left none."""
        return error_text(self.failure) if self.failure else None

    def last(self):
        """What stood on the error stream last."""
        return "\n".join(self.errors[-20:]) or "it said nothing"

    def stopped(self):
        """What is true after stopping: by the command itself, else by the steps it had reported."""
        if self.failure:
            return self.failure_text()
        if self.done:
            steps = ", ".join(self.done)
            return f"Stopped. These steps had ended and their results are in place: {steps}. Nothing else was changed."
        return "Stopped; what stood there before is untouched."


def _parse(line):
    try:
        event = json.loads(line)
    except ValueError:
        return {"event": "text", "text": line}
    return event if isinstance(event, dict) else {"event": "text", "text": line}


def _end(process):
    if process.poll() is not None:
        return
    process.terminate()
    try:
        process.wait(timeout=GRACE_S)
    except subprocess.TimeoutExpired:
        process.kill()
        process.wait()


def read_contract(command):
    """What `geotools gis-plugin contract` prints, as data: the contract, and what it was made from."""
    process = _start([*command, "gis-plugin", "contract"])
    try:
        out, err = process.communicate(timeout=60)
    except subprocess.TimeoutExpired:
        process.kill()
        process.communicate()
        raise CommandError("The geotools command did not list its steps within a minute.") from None
    if process.returncode != 0:
        said = (err or out).strip()[-2000:]
        raise CommandError(f"The geotools command cannot list its steps; it may be of an older version: {said}")
    try:
        return json.loads(out)
    except ValueError:
        raise CommandError(f"The geotools command listed its steps in a way that is not known: {out[:200]}") from None
