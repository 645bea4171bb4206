"""The toolkit's environment: the command that starts it, and what its steps take and give. Nothing here needs the GIS.

The contract is kept beside this file, with what it was made from: while the environment's folders are as they were,
the command need not be started to know it.
"""

import json
import os
import shutil

from . import client

COMMAND, CONTRACT = "command.json", "contract.json"
MEND = (
    "In a terminal of the toolkit's environment run: geotools gis-plugin install --overwrite. Then start the GIS again."
)


def stamp(path):
    """What shows whether a file or folder was changed; None where there is none."""
    try:
        held = os.stat(path)
    except OSError:
        return None
    return [held.st_mtime_ns, held.st_size]


def load_command(folder):
    """The command as a list of words.

    From the file that `geotools gis-plugin install` wrote beside this one; a plugin that came as a zip has none and
    takes the command on the path.
    """
    path = os.path.join(folder, COMMAND)
    if not os.path.exists(path) and (found := shutil.which("geotools")):
        return [found]
    try:
        with open(path, encoding="utf-8") as stream:
            command = json.load(stream)["command"]
    except (OSError, ValueError, KeyError) as problem:
        raise client.CommandError(
            f"The plugin does not know the geotools command ({problem}), and it is not on the path. {MEND}"
        ) from None
    return [str(word) for word in command]


def plugin_version(folder):
    """Version of the toolkit that this plugin came with."""
    try:
        with open(os.path.join(folder, "metadata.txt"), encoding="utf-8") as stream:
            lines = stream.read().splitlines()
    except OSError:
        return ""
    return next((line.partition("=")[2].strip() for line in lines if line.startswith("version=")), "")


def load(folder):
    """Command and contract; CommandError with what to do where the environment is missing or another."""
    command = load_command(folder)
    if os.path.isabs(command[0]) and not os.path.isfile(command[0]):
        raise client.CommandError(f"The toolkit's environment is gone: there is no {command[0]}. {MEND}")
    known = _kept(folder)
    if known is None:
        known = client.read_contract(command)
        write_contract(folder, known)
    there, here = str(known["contract"].get("version", "")), plugin_version(folder)
    if there != here:
        raise client.CommandError(f"The toolkit is version {there or 'unknown'}, this plugin is for {here}. {MEND}")
    return command, known["contract"]


def _kept(folder):
    """What is kept, if it still holds."""
    try:
        with open(os.path.join(folder, CONTRACT), encoding="utf-8") as stream:
            known = json.load(stream)
        fresh = bool(known["watched"]) and all(stamp(path) == held for path, held in known["watched"].items())
        return known if fresh and isinstance(known["contract"], dict) else None
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        return None


def write_contract(folder, known):
    """Keep the contract for the next start; a profile that cannot be written only costs the time to ask again."""
    path = os.path.join(folder, CONTRACT)
    try:
        with open(path + ".new", "w", encoding="utf-8") as stream:
            json.dump(known, stream)
        os.replace(path + ".new", path)
    except OSError:
        return
