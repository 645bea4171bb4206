"""Algorithm that makes a site file from a fence layer and a terrain raster of the project."""

import os

from qgis.core import (
    QgsFeatureRequest,
    QgsProcessing,
    QgsProcessingException,
    QgsProcessingParameterBoolean,
    QgsProcessingParameterFeatureSource,
    QgsProcessingParameterFileDestination,
    QgsProcessingParameterRasterLayer,
    QgsProcessingParameterString,
    QgsVectorFileWriter,
)

from . import client
from .algorithm import CommandAlgorithm

FENCE, TERRAIN, NAME, THREATS, OVERWRITE, SITE = "FENCE", "TERRAIN", "NAME", "THREATS", "OVERWRITE", "SITE"


class NewSiteAlgorithm(CommandAlgorithm):
    """The first thing a user does in the GIS: say which layer is the fence and which raster the ground."""

    def __init__(self, command, catalogues):
        super().__init__(command)
        self.catalogues = catalogues

    def createInstance(self):
        """A fresh copy, as the GIS needs for each run."""
        return NewSiteAlgorithm(self.command, self.catalogues)

    def name(self):
        """Id after the colon."""
        return "new"

    def displayName(self):
        """Name in the toolbox."""
        return "New site file from layers"

    def group(self):
        """Heading in the toolbox."""
        return "Job"

    def groupId(self):
        """Id of the heading."""
        return "job"

    def shortHelpString(self):
        """Help beside the parameters."""
        return (
            "<p>Writes a site file that names every setting with its default; edit it in any text editor. The fence "
            "features are saved beside it, so that a layer in memory or a selection can be used.</p>"
            "<p>Then use <b>Run the whole job</b>, or the steps one by one.</p>"
            "<p>The catalogue below counts where the site file gives nothing of its own. Figures marked placeholder "
            "are round and stand for no equipment: enter those of the equipment at hand.</p>"
            + "".join(client.catalogue_html(name, rows) for name, rows in self.catalogues.items())
        )

    def initAlgorithm(self, config=None):
        """Declare parameters."""
        self.addParameter(QgsProcessingParameterFeatureSource(FENCE, "Fence lines", [QgsProcessing.TypeVectorLine]))
        self.addParameter(QgsProcessingParameterRasterLayer(TERRAIN, "Terrain model"))
        self.addParameter(QgsProcessingParameterString(NAME, "Name of the site", "New site"))
        threats = QgsProcessingParameterString(THREATS, "Threats, separated by commas", "walk, crawl, prone")
        threats.setHelp(
            "Names of targets: " + ", ".join(row["name"] for row in self.catalogues.get("targets", [])) + "."
        )
        self.addParameter(threats)
        self.addParameter(QgsProcessingParameterBoolean(OVERWRITE, "Replace a site file that is there already", False))
        self.addParameter(QgsProcessingParameterFileDestination(SITE, "Site file", "Site file (*.toml)"))

    def processAlgorithm(self, parameters, context, feedback):
        """Save the fence, call the command, hand back the site file."""
        source = self.parameterAsSource(parameters, FENCE, context)
        terrain = self.parameterAsRasterLayer(parameters, TERRAIN, context)
        if source is None or terrain is None:
            raise QgsProcessingException("Give a line layer as fence and a raster layer as terrain.")
        site = self.parameterAsFileOutput(parameters, SITE, context)
        overwrite = self.parameterAsBoolean(parameters, OVERWRITE, context)
        fence = os.path.splitext(site)[0] + "_fence.gpkg"
        for path in (site, fence):
            if os.path.exists(path) and not overwrite:
                raise QgsProcessingException(f"There is a file already: {path}. Tick the box to replace it.")
        self._save(source, fence, context)
        words = ["new", site, "--name", self.parameterAsString(parameters, NAME, context)]
        words += ["--fence", fence, "--terrain", terrain.source().split("|")[0]]
        for threat in self.parameterAsString(parameters, THREATS, context).split(","):
            if threat.strip():
                words += ["--threat", threat.strip()]
        self.call([*words, "--json", *(["--overwrite"] if overwrite else [])], feedback)
        return {SITE: site}

    def _save(self, source, path, context):
        os.makedirs(os.path.dirname(path) or ".", exist_ok=True)
        options = QgsVectorFileWriter.SaveVectorOptions()
        options.driverName = "GPKG"
        options.layerName = "fence"
        layer = source.materialize(QgsFeatureRequest())
        code, message, *_ = QgsVectorFileWriter.writeAsVectorFormatV3(layer, path, context.transformContext(), options)
        if code != QgsVectorFileWriter.NoError:
            raise QgsProcessingException(f"The fence could not be saved to {path}: {message}")
