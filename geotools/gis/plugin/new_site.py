"""Algorithm that makes a site file from a fence layer and a terrain raster of the project."""

from qgis.core import QgsProcessingParameterBoolean, QgsProcessingParameterFileDestination

from . import client
from .algorithm import CommandAlgorithm
from .site_from_layers import SiteFromLayers

OVERWRITE, SITE = "OVERWRITE", "SITE"


class NewSiteAlgorithm(CommandAlgorithm):
    """The first thing a user does in the GIS: say which layer is the fence and which raster the ground."""

    TITLE = "New site file from layers"

    def __init__(self, command, words, contract):
        super().__init__(command, words)
        self.contract = contract
        self.describing = SiteFromLayers(self, contract)

    def createInstance(self):
        """A fresh copy, as the GIS needs for each run."""
        return NewSiteAlgorithm(self.command, self.say, self.contract)

    def name(self):
        """Id after the colon."""
        return "new"

    def displayName(self):
        """Name in the toolbox."""
        return self.TITLE

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
            "features are saved beside it, so that a layer in memory or a selection can be used; of areas the outline "
            "is the fence. Where the inspection of fence and ground refuses what it finds, nothing is written.</p>"
            "<p>Then use <b>Run the whole job</b>, or the steps one by one.</p>"
            "<p>The catalogue below counts where the site file gives nothing of its own. Figures marked placeholder "
            "are round and stand for no equipment: enter those of the equipment at hand.</p>"
            + "".join(client.catalogue_html(name, rows) for name, rows in self.contract.get("catalogues", {}).items())
        )

    def initAlgorithm(self, config=None):
        """Declare parameters."""
        self.describing.add_parameters(optional=False)
        self.addParameter(QgsProcessingParameterBoolean(OVERWRITE, "Replace a site file that is there already", False))
        self.addParameter(QgsProcessingParameterFileDestination(SITE, "Site file", "Site file (*.toml)"))

    def processAlgorithm(self, parameters, context, feedback):
        """Save the fence, call the command, hand back the site file."""
        site = self.parameterAsFileOutput(parameters, SITE, context)
        overwrite = self.parameterAsBoolean(parameters, OVERWRITE, context)
        self.describing.make(site, parameters, context, feedback, overwrite)
        return {SITE: site}
