"""The provider: one algorithm for each step that the command knows, one for the whole job, one for a new site file."""

import os

from qgis.core import Qgis, QgsMessageLog, QgsProcessingProvider
from qgis.PyQt.QtGui import QIcon

from . import client
from .algorithm import RunAlgorithm, StepAlgorithm
from .new_site import NewSiteAlgorithm

FOLDER = os.path.dirname(__file__)


class PerimeterProvider(QgsProcessingProvider):
    """Asks the command for its steps whenever algorithms are loaded: a step plugged in later appears then."""

    def id(self):
        """Short name, as it stands before the colon of an algorithm's id."""
        return "perimeter"

    def name(self):
        """Name in the toolbox."""
        return "Perimeter geotools"

    def icon(self):
        """Picture in the toolbox."""
        return QIcon(os.path.join(FOLDER, "icon.svg"))

    def loadAlgorithms(self):
        """Make the algorithms from the command's contract; say why where there are none."""
        try:
            command = client.load_command(FOLDER)
            contract = client.read_contract(command)
        except client.CommandError as problem:
            QgsMessageLog.logMessage(str(problem), "Perimeter geotools", Qgis.Critical)
            return
        self.addAlgorithm(NewSiteAlgorithm(command, contract.get("catalogues", {})))
        self.addAlgorithm(RunAlgorithm(command, contract["steps"]))
        for step in contract["steps"]:
            self.addAlgorithm(StepAlgorithm(command, step))
