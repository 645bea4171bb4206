"""Runs the geotools command in its own environment and reads its JSON lines. Nothing here needs the GIS."""

import json
import os
import queue
import shutil
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


def load_command(folder):
    """The command as a list of words.

    From the file that `geotools gis-plugin install` wrote beside this one; a plugin that came as a zip has none and
    takes the command on the path.
    """
    path = os.path.join(folder, "command.json")
    if not os.path.exists(path) and (found := shutil.which("geotools")):
        return [found]
    try:
        with open(path, encoding="utf-8") as stream:
            command = json.load(stream)["command"]
    except (OSError, ValueError, KeyError) as problem:
        raise CommandError(
            f"The plugin does not know the geotools command ({problem}), and it is not on the path."
            " Run: geotools gis-plugin install --overwrite"
        ) from None
    return [str(word) for word in command]


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
    open_streams, errors, failure = 2, [], None
    try:
        while open_streams:
            if is_cancelled():
                raise StoppedError("Stopped; what stood there before is untouched.")
            try:
                name, line = lines.get(timeout=poll_s)
            except queue.Empty:
                continue
            if line is None:
                open_streams -= 1
            elif name == "err":
                errors.append(line)
            else:
                event = _parse(line)
                if event.get("event") == "error":
                    failure = event
                else:
                    on_event(event)
        code = process.wait()
    finally:
        _end(process)
        for thread in threads:
            thread.join(timeout=1.0)
        process.stdout.close()
        process.stderr.close()
    # 9: done and written; that zones stay open, or works fail, stands in the warnings
    if code not in (0, 9):
        said = error_text(failure) if failure else "\n".join(errors[-20:]) or "it said nothing"
        raise CommandError(f"geotools ended with exit code {code}: {said}")


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
    """What `geotools steps --json` prints, as data."""
    process = _start([*command, "steps", "--json"])
    try:
        out, err = process.communicate(timeout=60)
    except subprocess.TimeoutExpired:
        process.kill()
        process.communicate()
        raise CommandError("The geotools command did not list its steps within a minute.") from None
    if process.returncode != 0:
        raise CommandError(f"The geotools command cannot list its steps: {(err or out).strip()[-2000:]}")
    return json.loads(out)
