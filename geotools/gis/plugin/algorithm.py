"""Algorithms made from the command's contract: parameters, help, outputs, the run itself, and loading what it wrote."""

import os
from html import escape

from qgis.core import (
    QgsProcessing,
    QgsProcessingAlgorithm,
    QgsProcessingContext,
    QgsProcessingException,
    QgsProcessingOutputFile,
    QgsProcessingOutputVectorLayer,
    QgsProcessingParameterBoolean,
    QgsProcessingParameterEnum,
    QgsProcessingParameterFile,
    QgsProcessingParameterFolderDestination,
    QgsProcessingParameterNumber,
    QgsProcessingParameterString,
    QgsVectorLayer,
)

from . import client

SITE, OUT, OVERWRITE, LOAD = "SITE", "OUT", "OVERWRITE", "LOAD"
PLAN = "plan.gpkg"


def label_of(param):
    """A parameter's name as a heading, with its unit; a pure ratio has none worth showing."""
    unit = f" [{param['unit']}]" if param["unit"] not in ("", "1") else ""
    return param["name"].replace("_", " ").capitalize() + unit


def parameter_of(param):
    """The GIS's parameter for one of the contract's; its own range and type are checked by the command again."""
    name, label = param["name"], label_of(param)
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
    """What every algorithm that calls the command shares."""

    def __init__(self, command):
        super().__init__()
        self.command = command

    def tr(self, text):
        """No translation yet."""
        return text

    def call(self, words, feedback, part=(0, 1)):
        """Run the command with its words and progress on the feedback; the files it wrote."""
        index, total = part
        files = []

        def hear(event):
            nonlocal index
            kind = event.get("event")
            if kind == "progress":
                feedback.setProgress(100.0 * (index + event["percent"] / 100.0) / total)
                feedback.setProgressText(event.get("what") or "")
            elif kind == "step" and event.get("state") == "started":
                feedback.pushInfo(f"{event['step']} ...")
            elif kind == "step":
                index += 1
                feedback.setProgress(min(100.0 * index / total, 100.0))
                for text in event.get("notes", []):
                    feedback.pushInfo(f"  {text}")
                for text in event.get("warnings", []):
                    feedback.pushWarning(text)
                files.extend(event.get("files", []))
            elif kind == "text":
                feedback.pushInfo(event["text"])

        feedback.pushCommandInfo(" ".join(words))
        try:
            client.run([*self.command, *words], hear, feedback.isCanceled)
        except client.CommandError as problem:
            raise QgsProcessingException(str(problem)) from None
        return files

    def flags(self):
        """The command runs outside, so a background thread may wait for it; nothing here needs the main thread."""
        return super().flags()


class StepAlgorithm(CommandAlgorithm):
    """One step of the contract."""

    def __init__(self, command, step):
        super().__init__(command)
        self.step = step

    def createInstance(self):
        """A fresh copy, as the GIS wants for each run."""
        return StepAlgorithm(self.command, self.step)

    def name(self):
        """Id after the colon."""
        return self.step["name"]

    def displayName(self):
        """Name in the toolbox."""
        return self.step["title"]

    def group(self):
        """Heading in the toolbox."""
        return "Steps"

    def groupId(self):
        """Id of the heading."""
        return "steps"

    def shortDescription(self):
        """Tool tip."""
        return self.step["summary"]

    def shortHelpString(self):
        """Help beside the parameters."""
        return help_of(self.step)

    def steps(self):
        """The steps this algorithm runs."""
        return [self.step]

    def parameters_of_step(self):
        """Parameters that belong to the step itself."""
        return self.step["params"]

    def initAlgorithm(self, config=None):
        """Declare parameters and outputs."""
        self.addParameter(QgsProcessingParameterFile(SITE, "Site file", extension="toml"))
        for param in self.parameters_of_step():
            self.addParameter(parameter_of(param))
        self.addParameter(QgsProcessingParameterFolderDestination(OUT, "Folder of the plan"))
        self.addParameter(QgsProcessingParameterBoolean(OVERWRITE, "Replace results that are there already", False))
        self.addParameter(QgsProcessingParameterBoolean(LOAD, "Load the layers into the project", True))
        for step in self.steps():
            for output in step["outputs"]:
                schema = output["schema"]
                kind = QgsProcessing.TypeVectorAnyGeometry if schema["geometry"] else QgsProcessing.TypeVector
                self.addOutput(QgsProcessingOutputVectorLayer(output["layer"], schema["title"], kind))
            for item in step["files"]:
                if not item["name"].endswith("/"):
                    self.addOutput(QgsProcessingOutputFile(item["name"], item["help"]))

    def words(self, parameters, context):
        """The command line after the command itself."""
        words = [self.step["name"], self.parameterAsFile(parameters, SITE, context)]
        for param in self.parameters_of_step():
            words += option_of(param, self.value_of(param, parameters, context))
        return words

    def value_of(self, param, parameters, context):
        """A parameter's value in Python; None where it was left out."""
        name = param["name"]
        if parameters.get(name) is None and param["default"] is None:
            return None
        if param["kind"] == "real":
            return self.parameterAsDouble(parameters, name, context)
        if param["kind"] == "integer":
            return self.parameterAsInt(parameters, name, context)
        if param["kind"] == "flag":
            return self.parameterAsBoolean(parameters, name, context)
        if param["kind"] == "choice":
            return self.parameterAsEnumString(parameters, name, context)
        if param["kind"] == "path":
            return self.parameterAsFile(parameters, name, context)
        return self.parameterAsString(parameters, name, context)

    def processAlgorithm(self, parameters, context, feedback):
        """Run the command and hand back what it wrote."""
        out = self.parameterAsString(parameters, OUT, context)
        words = [*self.words(parameters, context), "--out", out, "--json"]
        if self.parameterAsBoolean(parameters, OVERWRITE, context):
            words.append("--overwrite")
        self.call(words, feedback, (0, len(self.steps())))
        load = self.parameterAsBoolean(parameters, LOAD, context)
        results = {OUT: out}
        for step in self.steps():
            for output in step["outputs"]:
                uri = f"{os.path.join(out, PLAN)}|layername={output['layer']}"
                results[output["layer"]] = uri
                if load:
                    self.load(uri, output, context)
            for item in step["files"]:
                path = os.path.join(out, item["name"])
                if not item["name"].endswith("/") and os.path.exists(path):
                    results[item["name"]] = path
        return results

    def load(self, uri, output, context):
        """Put a layer of the plan into the project when the run has ended; it opens in the style stored beside it."""
        title = output["schema"]["title"]
        layer = QgsVectorLayer(uri, title, "ogr")
        if not layer.isValid():
            raise QgsProcessingException(f"The layer {output['layer']} was written but cannot be opened: {uri}")
        if context.project() is None:
            return
        context.temporaryLayerStore().addMapLayer(layer)
        details = QgsProcessingContext.LayerDetails(title, context.project(), output["layer"])
        context.addLayerToLoadOnCompletion(layer.id(), details)


class RunAlgorithm(StepAlgorithm):
    """The whole job: every step in order."""

    def __init__(self, command, all_steps):
        self.all_steps = all_steps
        ordered = sorted((s for s in all_steps if s["order"] > 0), key=lambda s: (s["order"], s["name"]))
        self.ordered = ordered
        super().__init__(
            command,
            {
                "name": "run",
                "title": "Run the whole job",
                "summary": "Runs every step in order: " + ", ".join(s["name"] for s in ordered) + ".",
                "params": [],
                "inputs": [],
                "outputs": [],
                "files": [],
                "cautions": [],
            },
        )

    def createInstance(self):
        """A fresh copy, as the GIS wants for each run."""
        return RunAlgorithm(self.command, self.all_steps)

    def group(self):
        """Heading in the toolbox."""
        return "Job"

    def groupId(self):
        """Id of the heading."""
        return "job"

    def steps(self):
        """The steps this algorithm runs."""
        return self.ordered
