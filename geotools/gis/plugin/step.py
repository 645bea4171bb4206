"""One step of the contract as an algorithm: a site file or the plan's own, a folder, the step's parameters."""

import os

from qgis.core import (
    QgsProcessing,
    QgsProcessingException,
    QgsProcessingOutputFile,
    QgsProcessingOutputFolder,
    QgsProcessingOutputRasterLayer,
    QgsProcessingOutputVectorLayer,
    QgsProcessingParameterBoolean,
    QgsProcessingParameterFile,
)

from .algorithm import CommandAlgorithm, help_of, id_of, option_of, parameter_of
from .words import REPLACE

SITE, OUT, OVERWRITE, LOAD = "SITE", "OUT", "OVERWRITE", "LOAD"
PLAN, SITE_FILE = "plan.gpkg", "site.toml"


class StepAlgorithm(CommandAlgorithm):
    """One step of the contract."""

    def __init__(self, command, words, step, loader=None):
        super().__init__(command, words)
        self.step = step
        self.loader = loader
        self.written = None

    def createInstance(self):
        """A fresh copy, as the GIS wants for each run."""
        return StepAlgorithm(self.command, self.say, self.step, self.loader)

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

    def initAlgorithm(self, config=None):
        """Declare parameters and outputs."""
        site = QgsProcessingParameterFile(SITE, "Site file", extension="toml", optional=True)
        site.setHelp(f"Left out, it is {SITE_FILE} in the folder of the plan, as the whole job writes it.")
        self.addParameter(site)
        self.add_own_parameters()
        # a folder to work in and no destination, so that in a model one step goes on where another ended
        folder = QgsProcessingParameterFile(OUT, "Folder of the plan", QgsProcessingParameterFile.Folder)
        folder.setHelp("Made where there is none; every step of a job works in the same folder.")
        self.addParameter(folder)
        self.addParameter(QgsProcessingParameterBoolean(OVERWRITE, REPLACE, False))
        self.addParameter(QgsProcessingParameterBoolean(LOAD, "Load the results into the project", True))
        self.addOutput(QgsProcessingOutputFolder(OUT, "Folder of the plan"))
        for step in self.steps():
            for output in step["outputs"]:
                schema = output["schema"]
                kind = QgsProcessing.TypeVectorAnyGeometry if schema["geometry"] else QgsProcessing.TypeVector
                self.addOutput(QgsProcessingOutputVectorLayer(id_of(output["layer"]), schema["title"], kind))
            for item in step["files"]:
                name = item["name"]
                if name.endswith(".tif"):
                    self.addOutput(QgsProcessingOutputRasterLayer(id_of(name), item["help"]))
                elif not name.endswith("/"):
                    self.addOutput(QgsProcessingOutputFile(id_of(name), item["help"]))

    def add_own_parameters(self):
        """Declare the parameters that belong to the step itself."""
        for param in self.step["params"]:
            self.addParameter(parameter_of(param))

    def site_of(self, parameters, context, feedback, out):
        """The site file that was given, or the one in the folder."""
        site = self.parameterAsFile(parameters, SITE, context)
        if site:
            return site
        own = os.path.join(out, SITE_FILE)
        if not os.path.isfile(own):
            raise QgsProcessingException(
                f"There is no site file: none was given, and there is no {own}. Give one, or begin with "
                f'"{self.say.titles["run"]}", which makes one from layers.'
            )
        return own

    def options(self, parameters, context):
        """The step's own parameters as words of the command line."""
        found = []
        for param in self.step["params"]:
            found += option_of(param, self.value_of(param, parameters, context))
        return found

    def value_of(self, param, parameters, context):
        """A parameter's value in Python; None where it was left out."""
        name = id_of(param["name"])
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
        out = self.parameterAsFile(parameters, OUT, context)
        if not out:
            raise QgsProcessingException("Give the folder of the plan.")
        site = self.site_of(parameters, context, feedback, out)
        words = [self.step["name"], site, *self.options(parameters, context), "--out", out, "--json"]
        if self.parameterAsBoolean(parameters, OVERWRITE, context):
            words.append("--overwrite")
        self.call(words, feedback, (0, len(self.steps())))
        results, files = {OUT: out}, []
        layers = [output["layer"] for step in self.steps() for output in step["outputs"]]
        for layer in layers:
            results[id_of(layer)] = f"{os.path.join(out, PLAN)}|layername={layer}"
        for item in (item for step in self.steps() for item in step["files"]):
            path = os.path.join(out, item["name"])
            if not item["name"].endswith("/") and os.path.exists(path):
                results[id_of(item["name"])] = path
                files.append(item["name"])
        if self.parameterAsBoolean(parameters, LOAD, context) and context.project() is not None:
            self.written = (out, layers, [name for name in files if name.endswith(".tif")])
        return results

    def postProcessAlgorithm(self, context, feedback):
        """Show the results in the project: what is there is refreshed, what is not is added."""
        if self.written and self.loader is not None:
            # a signal: within a model this runs beside the window, and layers live in the window's thread
            self.loader.wanted.emit(*self.written)
        return {}
