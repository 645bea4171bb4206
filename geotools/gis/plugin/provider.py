"""The provider: one algorithm for each step that the command knows, one for the whole job, one for a new site file."""

import os

from qgis.core import Qgis, QgsMessageLog, QgsProcessingProvider
from qgis.PyQt.QtGui import QIcon

from . import client, environment
from .job import RunAlgorithm
from .loading import Loader
from .missing import MissingAlgorithm
from .new_site import NewSiteAlgorithm
from .step import StepAlgorithm
from .words import Words

FOLDER = os.path.dirname(__file__)


class PerimeterProvider(QgsProcessingProvider):
    """Looks at the toolkit's environment whenever algorithms are loaded: a step plugged in later appears then."""

    def __init__(self):
        super().__init__()
        self.problem = ""
        # made here, so that it lives in the thread of the window
        self.loader = Loader()

    def id(self):
        """Short name, as it stands before the colon of an algorithm's id."""
        return "perimeter"

    def name(self):
        """Name in the toolbox."""
        return "Perimeter geotools"

    def icon(self):
        """Picture in the toolbox."""
        return QIcon(os.path.join(FOLDER, "icon.svg"))

    def warningMessage(self):
        """What the dialog of an algorithm shows first."""
        return self.problem

    def loadAlgorithms(self):
        """Make the algorithms from the command's contract; where there is none, one that says why."""
        self.problem = ""
        try:
            command, contract = environment.load(FOLDER)
        except client.CommandError as problem:
            self.problem = str(problem)
            QgsMessageLog.logMessage(self.problem, "Perimeter geotools", Qgis.Critical)
            self.addAlgorithm(MissingAlgorithm(self.problem))
            return
        for algorithm in algorithms(command, contract, self.loader):
            self.addAlgorithm(algorithm)


def algorithms(command, contract, loader=None):
    """Every algorithm of a contract; ``loader`` puts results into the project."""
    steps = contract["steps"]
    titles = {"new": NewSiteAlgorithm.TITLE, "run": RunAlgorithm.TITLE, **{s["name"]: s["title"] for s in steps}}
    words = Words(titles, {p["name"] for step in steps for p in step["params"]})
    return [
        NewSiteAlgorithm(command, words, contract),
        RunAlgorithm(command, words, contract, loader),
        *(StepAlgorithm(command, words, step, loader) for step in steps),
    ]
