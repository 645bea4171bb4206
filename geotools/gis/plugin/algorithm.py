"""What every algorithm that calls the command shares: parameters made from the contract, help, the run itself."""

import re
from html import escape

from qgis.core import (
    QgsProcessingAlgorithm,
    QgsProcessingException,
    QgsProcessingParameterBoolean,
    QgsProcessingParameterEnum,
    QgsProcessingParameterFile,
    QgsProcessingParameterNumber,
    QgsProcessingParameterString,
)

from . import client
from .words import heading


def id_of(name):
    """The GIS's name of a parameter or output: capitals and underscores, whatever the command calls it."""
    return re.sub(r"\W", "_", name).upper()


def label_of(param):
    """A parameter's name as a heading, with its unit; a pure ratio has none worth showing."""
    unit = f" [{param['unit']}]" if param["unit"] not in ("", "1") else ""
    return heading(param["name"]) + unit


def parameter_of(param):
    """The GIS's parameter for one of the contract's; its own range and type are checked by the command again."""
    name, label = id_of(param["name"]), label_of(param)
    # a text that may be empty is one that may be left out
    default, optional = param["default"], param["default"] in (None, "")
    if param["kind"] in ("real", "integer"):
        kind = QgsProcessingParameterNumber.Double if param["kind"] == "real" else QgsProcessingParameterNumber.Integer
        made = QgsProcessingParameterNumber(name, label, kind, default, optional)
        if param["minimum"] is not None:
            made.setMinimum(param["minimum"])
        if param["maximum"] is not None:
            made.setMaximum(param["maximum"])
    elif param["kind"] == "flag":
        made = QgsProcessingParameterBoolean(name, label, default, optional)
    elif param["kind"] == "choice":
        made = QgsProcessingParameterEnum(name, label, param["choices"], False, default, optional, True)
    elif param["kind"] == "path":
        made = QgsProcessingParameterFile(name, label, defaultValue=default, optional=optional)
    else:
        made = QgsProcessingParameterString(name, label, default, False, optional)
    made.setHelp(param["help"])
    return made


def option_of(param, value):
    """A parameter's value as words of the command line; nothing where it is left out."""
    if value is None or value == "":
        return []
    flag = "--" + param["name"].replace("_", "-")
    if param["kind"] == "flag":
        return [flag if value else f"--no-{flag[2:]}"]
    return [flag, str(value)]


def help_of(step):
    """Help text of a step: what it answers, reads and writes, and what to mind."""
    parts = [f"<p>{escape(step['summary'])}</p>"]
    if step["params"]:
        rows = "".join(f"<li><b>{label_of(p)}</b>: {escape(p['help'])}</li>" for p in step["params"])
        parts.append(f"<ul>{rows}</ul>")
    if step["inputs"]:
        rows = "".join(f"<li><b>{i['layer']}</b>: {escape(i['intent'])}</li>" for i in step["inputs"])
        parts.append(f"<p>Reads these layers of the plan, with what was edited in them:</p><ul>{rows}</ul>")
    written = [f"<li><b>{o['layer']}</b>: {escape(o['schema']['description'])}</li>" for o in step["outputs"]]
    written += [f"<li>{f['name']}: {escape(f['help'])}</li>" for f in step["files"]]
    if written:
        parts.append(f"<p>Writes:</p><ul>{''.join(written)}</ul>")
    if step["cautions"]:
        parts.append("<p>Mind: " + escape(" ".join(step["cautions"])) + "</p>")
    return "".join(parts)


class CommandAlgorithm(QgsProcessingAlgorithm):
    """An algorithm that runs the command outside, so that a background thread may wait for it."""

    def __init__(self, command, words):
        super().__init__()
        self.command = command
        self.say = words

    def tr(self, text):
        """No translation yet."""
        return text

    def call(self, words, feedback, part=(0, 1)):
        """Run the command with its progress, notes and warnings on the feedback; the files it wrote."""
        index, total = part
        files = []

        def hear(event):
            nonlocal index
            kind = event.get("event")
            if kind == "progress":
                feedback.setProgress(100.0 * (index + event["percent"] / 100.0) / total)
                feedback.setProgressText(event.get("what") or "")
            elif kind == "step" and event.get("state") == "started":
                feedback.pushInfo(f"{self.say.titles.get(event['step'], event['step'])} ...")
            elif kind in ("step", "finished"):
                if kind == "step":
                    index += 1
                    feedback.setProgress(min(100.0 * index / total, 100.0))
                for text in event.get("notes", []):
                    feedback.pushInfo(f"  {self.say.of(text)}")
                for text in event.get("warnings", []):
                    feedback.pushWarning(self.say.of(text))
                files.extend(event.get("files", []))
            elif kind == "text":
                feedback.pushInfo(event["text"])

        feedback.pushCommandInfo(" ".join(words))
        try:
            client.run([*self.command, *words], hear, feedback.isCanceled)
        except client.CommandError as problem:
            raise QgsProcessingException(self.say.of(str(problem))) from None
        return files
