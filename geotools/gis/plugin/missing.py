"""What stands in the toolbox where the toolkit cannot be used: the reason, and how to mend it."""

from html import escape

from qgis.core import QgsProcessingAlgorithm, QgsProcessingException


class MissingAlgorithm(QgsProcessingAlgorithm):
    """It can be looked at and not run."""

    def __init__(self, problem):
        super().__init__()
        self.problem = problem

    def createInstance(self):
        """A fresh copy, as the GIS wants for each run."""
        return MissingAlgorithm(self.problem)

    def name(self):
        """Id after the colon."""
        return "missing"

    def displayName(self):
        """Name in the toolbox: the first sentence of what is wrong."""
        return "Cannot be used: " + self.problem.partition(". ")[0]

    def shortDescription(self):
        """Tool tip."""
        return self.problem

    def shortHelpString(self):
        """Help beside the parameters."""
        return f"<p>{escape(self.problem)}</p>"

    def initAlgorithm(self, config=None):
        """It takes nothing."""

    def canExecute(self):
        """Whether it can be run, and why not."""
        return False, self.problem

    def processAlgorithm(self, parameters, context, feedback):
        """Say it once more."""
        raise QgsProcessingException(self.problem)
