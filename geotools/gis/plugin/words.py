"""The command's messages in the words of the toolbox. Nothing here needs the GIS."""

import re

REPLACE = "Replace results that are there already"

_COMMAND = re.compile(r"`geotools ([a-z][\w-]*)([^`]*)`")
_OPTION = re.compile(r"`?--(no-)?([a-z][a-z-]*)(?: ([^`\s,;)]+))?`|--(no-)?([a-z][a-z-]*)")


def heading(name):
    """A parameter's name as the dialog shows it."""
    return name.replace("_", " ").capitalize()


class Words:
    """What the toolbox calls things.

    titles : names of algorithms by the command's name. params : names of parameters, as the command has them.
    """

    def __init__(self, titles, params):
        self.titles = titles
        self.params = set(params)

    def of(self, text):
        """A message without options of the command line where the dialog has a box for them."""
        text = re.sub(r"\b(?:add|give) --overwrite\b", f'tick "{REPLACE}"', text)
        text = re.sub(r"\bwith --overwrite\b", f'with "{REPLACE}" ticked', text)
        text = _COMMAND.sub(self._command, text)
        return _OPTION.sub(self._option, text)

    def _command(self, found):
        name, more = found.group(1), found.group(2)
        if name not in self.titles:
            return found.group(0)
        ticked = [heading(o) for o in re.findall(r"--([a-z][a-z-]*)", more) if o.replace("-", "_") in self.params]
        return f'"{self.titles[name]}"' + "".join(f', "{box}"' for box in ticked)

    def _option(self, found):
        no, name, value = found.group(1) or found.group(4), found.group(2) or found.group(5), found.group(3)
        if name == "overwrite":
            return f'"{REPLACE}"'
        if name.replace("-", "_") not in self.params:
            return found.group(0)
        return f'"{heading(name.replace("-", "_"))}"' + (" unticked" if no else "") + (f" {value}" if value else "")
